/* The control loop, once a PWM period:
 *
 *   phase currents --Clarke, Park--> i_d, i_q --PI, PI--> v_d, v_q --Park, Clarke--> three duties
 *                      ^ angle (rotor.c)    ^ 0, i_q wanted          ^ angle half a period on
 *
 * and every millisecond: set point on its slope --PI on speed--> i_q wanted; protection. */
#include <math.h>

#include "drive.h"

#define BANDWIDTH 1900.0f                        /* rad/s of the current loop, 300 Hz     */
#define CURRENT_P (INDUCTANCE * BANDWIDTH)       /* V/A: cancels the winding's time       */
#define CURRENT_I (RESISTANCE * BANDWIDTH)       /* V/(A s): constant                     */
#define SPEED_P 0.0028f                          /* A/rpm                                 */
#define SPEED_I 0.045f                           /* A/(rpm s)                             */
#define SLOW 0.001f                              /* s                                     */

static float slow_phase, wanted_q, speed_sum, sum_d, sum_q;

void control_reset(void) { slow_phase = wanted_q = speed_sum = sum_d = sum_q = 0; }

static float clamped(float value, float low, float high)
{
    return value < low ? low : value > high ? high : value;
}

static void trip(unsigned fault)
{
    drive.faults |= fault;
    drive.state = FAULT;
    drive.target = drive.setpoint = 0;
}

/* ---- commands --------------------------------------------------------------------------------- */

static bool in_range(long rpm)
{
    return rpm == 0 || (rpm >= MIN_SPEED && rpm <= MAX_SPEED)
           || (rpm <= -MIN_SPEED && rpm >= -MAX_SPEED);
}

int drive_start(long rpm)
{
    if (drive.state == FAULT)
        return LATCHED;
    if (!in_range(rpm))
        return RANGE;
    drive.target = (float)rpm;
    if (rpm != 0 && drive.state == IDLE) {
        drive.setpoint = drive.speed;
        wanted_q = speed_sum = sum_d = sum_q = 0;
        drive.since_edge = 0;
    }
    if (rpm != 0)
        drive.state = RUN;
    return OBEYED;
}

int drive_set_speed(long rpm)
{
    if (!in_range(rpm))
        return RANGE;
    if (drive.state == RUN)                      /* after a fault only a start turns the motor */
        drive.target = (float)rpm;
    return OBEYED;
}

int drive_stop(void)
{
    drive.target = 0;
    return OBEYED;
}

/* A reading that no working sensor gives, or none at all, counts as hot. */
static int too_hot(void)
{
    return !(drive.temperature > COLDEST && drive.temperature < OVER_TEMPERATURE);
}

int drive_clear(void)
{
    if (drive.state == FAULT && fabsf(drive.speed) > 200)
        return BUSY;
    if (drive.state == FAULT && (drive.v_bus > OVER_VOLTAGE || too_hot()))
        return LATCHED;
    if (drive.state == FAULT)
        drive.state = IDLE;
    drive.faults = 0;
    return OBEYED;
}

/* ---- every millisecond ------------------------------------------------------------------------ */

static void regulate_speed(void)
{
    float way, room = SLOPE * SLOW, brake, low, high, error, asked;
    drive.setpoint += clamped(drive.target - drive.setpoint, -room, room);
    error = drive.setpoint - drive.speed;
    way = drive.speed < 0 ? -1.0f : 1.0f;
    brake = drive.v_bus > BRAKE_VOLTAGE ? 0 : BRAKE_LIMIT;
    low = way > 0 ? -brake : -DRIVE_LIMIT;       /* current against the motion feeds back */
    high = way > 0 ? DRIVE_LIMIT : brake;
    if (fabsf(drive.speed) < 100) {
        low = -DRIVE_LIMIT;
        high = DRIVE_LIMIT;
    }
    asked = SPEED_P * error + speed_sum;
    wanted_q = clamped(asked, low, high);
    if (asked == wanted_q || (asked > wanted_q) != (error > 0))   /* no winding up at a limit */
        speed_sum += SPEED_I * error * SLOW;
}

static void protect(void)
{
    bool turning = drive.state == RUN || drive.state == BRAKE;
    if (drive.v_bus > OVER_VOLTAGE)
        trip(FAULT_OVER_VOLTAGE);
    if (turning && drive.v_bus < UNDER_VOLTAGE)
        trip(FAULT_UNDER_VOLTAGE);
    if (too_hot())
        trip(FAULT_TEMPERATURE);
    if (turning && drive.hall_bad > 5)
        trip(FAULT_HALL);
    if (turning && drive.since_edge > STALL_TIME && fabsf(wanted_q) > 0.9f * DRIVE_LIMIT)
        trip(FAULT_STALL);
    if (turning && drive.time - drive.heard > (double)LINK_TIMEOUT)
        trip(FAULT_LINK);
}

static void every_millisecond(void)
{
    protect();
    if (drive.state == RUN || drive.state == BRAKE) {
        drive.state = drive.target == 0 ? BRAKE : RUN;
        regulate_speed();
        if (drive.state == BRAKE && drive.setpoint == 0 && fabsf(drive.speed) < 120)
            drive.state = IDLE;                  /* friction does the rest */
    }
}

/* ---- every PWM period ------------------------------------------------------------------------- */

static void all_off(port_outputs *out)
{
    for (int leg = 0; leg < 3; leg++)
        out->drive[leg] = LEG_FLOAT;
    sum_d = sum_q = 0;
}

static void regulate_current(const port_inputs *in, port_outputs *out)
{
    /* Clarke: three phases to two axes; the star point takes no current, so that a and b tell all */
    float alpha = in->i_phase[0];
    float beta = (in->i_phase[0] + 2 * in->i_phase[1]) * 0.57735f;
    /* Park: into the rotor's own axes, where a steady current is constant */
    float cosine = cosf(drive.angle), sine = sinf(drive.angle);
    float i_d = alpha * cosine + beta * sine;
    float i_q = beta * cosine - alpha * sine;
    float error_d = 0 - i_d, error_q = wanted_q - i_q;
    float v_d = CURRENT_P * error_d + sum_d, v_q = CURRENT_P * error_q + sum_q;
    float most = 0.55f * drive.v_bus, size = sqrtf(v_d * v_d + v_q * v_q);
    float ahead, v[3], middle;
    if (size > most) {                           /* the bridge has no more: do not wind up */
        v_d *= most / size;
        v_q *= most / size;
    } else {
        sum_d += CURRENT_I * error_d * drive.period;
        sum_q += CURRENT_I * error_q * drive.period;
    }
    drive.i_q = i_q;
    drive.i_seen += 0.01f * (sqrtf(i_d * i_d + i_q * i_q) - drive.i_seen);
    /* back to the stator, at the angle of the middle of the coming period */
    ahead = drive.angle + drive.speed * POLE_PAIRS * (PI / 30) * drive.period;
    for (int leg = 0; leg < 3; leg++) {
        float at = ahead - (float)leg * (2 * PI / 3);
        v[leg] = v_d * cosf(at) - v_q * sinf(at);
    }
    /* shift all three so that they lie in the middle between the rails */
    middle = 0.5f * (fmaxf(fmaxf(v[0], v[1]), v[2]) + fminf(fminf(v[0], v[1]), v[2]));
    for (int leg = 0; leg < 3; leg++) {
        out->drive[leg] = LEG_SYNC;
        out->duty[leg] = clamped(0.5f + (v[leg] - middle) / fmaxf(drive.v_bus, 5.0f), 0, 1);
    }
}

void control_period(const port_inputs *in, port_outputs *out)
{
    drive.v_bus += 0.1f * (in->v_bus - drive.v_bus);
    drive.temperature = in->t_stage;
    for (int phase = 0; phase < 3; phase++) {
        drive.peak = fmaxf(drive.peak, fabsf(in->i_phase[phase]));
        /* written so that a board without phase shunts, which reads NaN, never turns the motor */
        if (!(fabsf(in->i_phase[phase]) < OVER_CURRENT))
            trip(FAULT_CURRENT);
    }
    slow_phase += drive.period;
    if (slow_phase >= SLOW) {
        slow_phase -= SLOW;
        every_millisecond();
    }
    if (drive.state == RUN || drive.state == BRAKE) {
        regulate_current(in, out);
    } else {
        all_off(out);
        drive.i_seen *= 0.99f;
    }
}
