/* What the motor shall do: the sequence of states, the speed regulator, the current limit. */
#include "drive.h"

/* ---- speed regulator and current limit; both deal in volts across the driven phases --------- */

static void release_limits(void) { drive.ceiling = drive.floor = drive.proposed; }

static void start_regulating(float speed)
{
    drive.ramped = drive.expected = larger(speed, 0);
    drive.integral = RESISTANCE * (drive.sensing == BY_HALL ? 0.3f : 1.0f);  /* A, head start */
    drive.proposed = EMF_PER_RPM * drive.ramped + drive.integral;
    release_limits();
}

/* One step towards `goal`, rpm in the commanded direction. */
static void regulate(float goal, float proportional)
{
    float speed = drive.speed * (float)drive.direction;
    float cut = drive.proposed - drive.applied;     /* what the current limit took away */
    if (goal > drive.ramped) {
        drive.ramped = smaller(drive.ramped + SLOPE * drive.slow_time, goal);
        if (cut > 0.05f)
            drive.ramped = smaller(drive.ramped, larger(speed, 0) + 200.0f);
    } else {
        drive.ramped = larger(drive.ramped - SLOPE * drive.slow_time, goal);
        if (cut < -0.05f)
            drive.ramped = larger(drive.ramped, speed - 200.0f);
    }
    drive.expected += drive.slow_time / RESPONSE * (drive.ramped - drive.expected);
    float error = drive.expected - speed;
    drive.integral += INTEGRAL * drive.slow_time * error - TRACKING * cut;
    drive.proposed = EMF_PER_RPM * drive.ramped + proportional * error + drive.integral;
}

/* Every period. Over the limit the ceiling comes down, under it the ceiling rises back. */
void limit_voltage(void)
{
    float gain = LIMIT_INTEGRAL * drive.period;
    float over = drive.current - drive.limit;
    float under = -(drive.bus < REGEN_VOLTAGE ? BRAKE_LIMIT : 0.0f) - drive.current;
    drive.ceiling = smaller(drive.ceiling - gain * over, drive.proposed);
    drive.floor = larger(drive.floor + gain * under, drive.proposed);
    float volts = drive.ceiling + drive.floor - drive.proposed;
    volts -= LIMIT_PROPORTIONAL * larger(over, 0);
    volts += LIMIT_PROPORTIONAL * larger(under, 0);
    drive.applied = smaller(larger(volts, DUTY_MIN * drive.bus), DUTY_MAX * drive.bus);
}

/* ---- sequence ------------------------------------------------------------------------------- */

/* Start towards the target. Hall sensors know the sector at standstill; back-EMF must align. */
void begin(void)
{
    drive.direction = drive.target < 0 ? -1 : 1;
    drive.heard_at = drive.tick;
    drive.shorted = false;
    forget_progress();
    if (drive.bus < UNDER_VOLTAGE) {
        trip(F_UNDER_VOLTAGE);
    } else if (drive.sensing == BY_HALL) {
        if (drive.sector < 0) {
            trip(F_HALL);
            return;
        }
        drive.pattern = hall_pattern();
        start_regulating(drive.speed * (float)drive.direction);
        drive.bridge = DRIVEN;
        enter(RUN);
    } else {
        forget_rotor();
        drive.pattern = 0;
        drive.proposed = 0;
        release_limits();
        drive.bridge = DRIVEN;
        enter(ALIGN);
    }
}

static void short_windings(void)
{
    drive.bridge = SHORTED;
    drive.shorted = true;
    drive.shorted_at = drive.tick;
    drive.proposed = drive.applied = 0;
}

static void start_ramp(void)
{
    /* the rotor points to the border of a sector: take the pattern that pulls it across */
    drive.pattern = (drive.pattern + 2 * drive.direction + 6) % 6;
    drive.commutated_at = drive.tick;
    drive.due_set = drive.caught = false;
    drive.ramp_rate = RAMP_FIRST;
    drive.ramp_phase = 0;
    drive.ramp_end = smaller(RAMP_SPEED, 0.9f * size_of(drive.target));
    enter(RAMP);
}

static void start_catching(void)
{
    drive.caught = true;
    drive.caught_at = drive.tick;
    drive.interval = drive.sector_rate / drive.ramp_rate;
    drive.good = drive.missed = drive.no_emf = 0;
    forget_rotor();
    drive.motion = drive.direction;
    drive.times[drive.head] = drive.tick * SUB;
    drive.speed = drive.ramp_rate * (float)drive.direction;
}

/* Align and ramp are timed in PWM periods. */
void step_fast(void)
{
    if (drive.state == ALIGN) {
        float volts = RESISTANCE * ALIGN_CURRENT;
        drive.proposed = smaller(drive.proposed + volts * drive.period / ALIGN_RISE, volts);
        uint32_t waited = since(drive.entered);
        if (waited == ticks(ALIGN_FIRST))       /* a rotor opposite to the first feels the second */
            drive.pattern = (drive.pattern + drive.direction + 6) % 6;
        else if (waited >= ticks(ALIGN_FIRST) + ticks(ALIGN_SECOND))
            start_ramp();
    } else if (drive.state == RAMP && !drive.caught) {
        drive.ramp_rate = smaller(drive.ramp_rate + RAMP_SLOPE * drive.period, drive.ramp_end);
        drive.proposed = RESISTANCE * RAMP_CURRENT + EMF_PER_RPM * drive.ramp_rate;
        drive.ramp_phase += drive.ramp_rate / drive.sector_rate;
        if (drive.ramp_phase >= 1.0f) {
            drive.ramp_phase -= 1.0f;
            commutate();
            if (drive.ramp_rate >= CATCH_SHARE * drive.ramp_end)
                start_catching();
        }
    }
}

/* Commutation follows the crossings already; two in a row give a speed, six in a row the run. */
static void try_handover(void)
{
    if (drive.good >= HANDOVER_CROSSINGS) {
        forget_progress();
        enter(RUN);
    } else if (since(drive.caught_at) > ticks(CATCH_TIME)) {
        trip(F_START_FAILED);
        return;
    }
    if (drive.good == 2)
        start_regulating(drive.ramp_rate);
    if (drive.good >= 2) {
        regulate(drive.ramp_end, CATCH_PROPORTIONAL);
    } else {
        /* a rotor that lags needs the torque of the ramp, one that leads would run away with it */
        bool late = !drive.crossed
                    && (float)since(drive.commutated_at) > 0.5f * drive.interval;
        drive.proposed = RESISTANCE * (late ? RAMP_CURRENT : CATCH_CURRENT)
                         + EMF_PER_RPM * drive.ramp_rate;
    }
}

static void brake(bool against)
{
    float limit = drive.sensing == BY_HALL ? SHORT_SPEED_HALL : SHORT_SPEED_BACK_EMF;
    if (!drive.shorted) {
        if (drive.wanted && !against) {
            forget_progress();
            enter(RUN);
        } else if (drive.speed * (float)drive.direction > limit) {
            regulate(0, PROPORTIONAL);
        } else if (against && drive.sensing == BY_HALL) {
            begin();                            /* reversal straight through zero */
        } else {
            short_windings();
        }
    } else if (since(drive.shorted_at) >= ticks(SHORT_TIME)) {
        if (drive.wanted) {
            begin();
        } else {
            drive.bridge = OFF;
            enter(IDLE);
        }
    }
}

/* Once per millisecond. */
void step_slow(void)
{
    bool against = drive.wanted && drive.target * (float)drive.direction <= 0;
    switch (drive.state) {
    case RUN:
        if (!drive.wanted || against) {
            enter(BRAKE);
            drive.shorted = false;
        } else {
            regulate(size_of(drive.target), PROPORTIONAL);
        }
        break;
    case ALIGN:
    case RAMP:
        if (!drive.wanted || against) {
            enter(BRAKE);
            short_windings();
        } else if (drive.state == RAMP && drive.caught) {
            try_handover();
        }
        break;
    case BRAKE:
        brake(against);
        break;
    default:
        break;
    }
}
