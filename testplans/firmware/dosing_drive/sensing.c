/* Where the rotor is: from three Hall sensors, or from the back-EMF of the floating phase. */
#include "drive.h"

/*                         sector:  0  1  2  3  4  5   (30..90 electrical degrees, 90..150, ...) */
const uint8_t HIGH[6]     =       { 0, 0, 1, 1, 2, 2 };
const uint8_t LOW[6]      =       { 1, 2, 2, 0, 0, 1 };
const uint8_t FLOATING[6] =       { 2, 1, 0, 2, 1, 0 };

/* Hall code, sensor A in bit 0, to sector; -1 cannot be. */
static const int8_t SECTOR[8] = { -1, 1, 3, 2, 5, 0, 4, -1 };

/* ---- speed: sectors over the time they took ------------------------------------------------ */

/* The rotor passed a sector, clockwise (+1) or back (-1), at a time in 1/64 periods. */
static void sector_passed(int step, uint32_t when)
{
    if (step != drive.motion) {
        drive.motion = step;
        drive.count = 0;
        drive.speed = 0;
    }
    drive.head = (drive.head + 1) & 7;
    drive.times[drive.head] = when;
    if (drive.count < 7)
        drive.count++;
    drive.advance += step * drive.direction;
    if (drive.advance > drive.furthest) {   /* to and fro over a border is no progress */
        drive.furthest = drive.advance;
        drive.progress_at = drive.tick;
    }
}

static float span(int sectors)
{
    return (float)(drive.times[drive.head] - drive.times[(drive.head - (unsigned)sectors) & 7])
           / SUB;
}

/* Once per millisecond. One sector at low speed, else pairs of sectors up to an electrical turn:
 * a pair averages an offset of the back-EMF out, a turn the places of the Hall sensors. */
void estimate_speed(void)
{
    float quiet = (float)(int32_t)(drive.tick * SUB - drive.times[drive.head]) / SUB;
    if (drive.count == 0 || quiet > (float)ticks(STANDSTILL)) {
        if (quiet > (float)ticks(STANDSTILL))
            forget_rotor();
    } else if (drive.count > 1) {
        int n = 1;
        while (n < drive.count - 1 && (span(n) < SPEED_WINDOW / drive.period || (n > 1 && n & 1)))
            n++;
        float interval = larger(span(n) / (float)n, quiet / 1.5f);  /* overdue: it slows down */
        if (interval > drive.sector_rate / (1.5f * MAX_SPEED))  /* else a glitch on a wire */
            drive.speed = (float)drive.motion * drive.sector_rate / interval;
    }
    drive.speed_seen += 0.1f * (drive.speed - drive.speed_seen);
}

void forget_rotor(void)
{
    drive.count = 0;
    drive.speed = 0;
}

void forget_progress(void)
{
    drive.advance = drive.furthest = 0;
    drive.progress_at = drive.tick;
}

/* ---- Hall sensors -------------------------------------------------------------------------- */

/* A neighbouring sector is believed at once, a jump when it is seen three times, an illegal code
 * never; the trouble counter takes 4 for an illegal sample, 8 for a jump, and gives 1 back. */
void track_hall(uint8_t code)
{
    int sector = SECTOR[code & 7];
    if (sector == drive.sector) {
        drive.hall_jump = 0;
        if (drive.hall_bad > 0)
            drive.hall_bad--;
        return;
    }
    if (sector < 0) {
        if (drive.hall_bad < 1000)
            drive.hall_bad += 4;
        return;
    }
    int step = (sector - drive.sector + 6) % 6;
    if (drive.sector >= 0 && (step == 1 || step == 5)) {
        drive.hall_jump = 0;
        drive.sector = sector;
        sector_passed(step == 1 ? 1 : -1, drive.tick * SUB - SUB / 2);
    } else if (++drive.hall_jump >= 3 || drive.sector < 0) {
        if (drive.sector >= 0)
            drive.hall_bad += 8;
        drive.sector = sector;
        drive.hall_jump = 0;
        drive.count = 0;
    }
}

/* The pattern with the most torque in this sector; backwards high and low change places. */
int hall_pattern(void)
{
    return (drive.sector + (drive.direction < 0 ? 3 : 0)) % 6;
}

void commutate_by_hall(void)
{
    if (drive.state >= RUN && drive.sector >= 0)
        drive.pattern = hall_pattern();
}

/* ---- back-EMF ------------------------------------------------------------------------------ */

void commutate(void)
{
    drive.pattern = (drive.pattern + drive.direction + 6) % 6;
    drive.commutated_at = drive.tick;
    drive.due_set = drive.armed = drive.crossed = drive.before_valid = false;
}

/* The crossing was seen: commutate 30 electrical degrees later. */
static void crossing(float ago)
{
    uint32_t when = drive.tick * SUB - (uint32_t)(ago * SUB + 0.5f);
    drive.crossed = true;
    drive.good++;
    drive.missed = 0;
    sector_passed(drive.direction, when);
    if (drive.count > 1) {
        float interval = span(1);
        if (drive.count > 2)
            interval = smaller(interval, 0.5f * span(2));
        drive.interval = smaller(larger(interval, drive.interval / 1.6f), drive.interval * 1.6f);
    }
    drive.due = (float)since(drive.commutated_at) - ago + COMMUTATION_DELAY * drive.interval;
    drive.due_set = true;
}

/* The crossing was over before the phase could be looked at: the rotor is ahead, follow it. */
static void rotor_is_ahead(void)
{
    drive.crossed = true;
    drive.missed++;
    drive.good = 0;
    if (drive.count > 0) {
        uint32_t now = drive.tick * SUB - SUB / 2;
        uint32_t earliest = drive.times[drive.head] + (uint32_t)(drive.interval / 1.6f * SUB);
        sector_passed(drive.direction, (int32_t)(now - earliest) > 0 ? now : earliest);
    }
    drive.interval *= 0.85f;
    drive.due = 0;
    drive.due_set = true;
}

static void look(const port_inputs *in)
{
    float waited = (float)since(drive.commutated_at);
    if (waited <= BLANK / drive.period || waited <= BLANK_SHARE * drive.interval)
        return;                                 /* the diode still conducts */
    float volts = in->v_phase[FLOATING[drive.pattern]];
    if (volts < 0.04f * in->v_bus || volts > 0.96f * in->v_bus) {
        drive.before_valid = false;             /* and still does */
        return;
    }
    float emf = volts - 0.5f * in->v_bus;       /* counted so that it crosses upwards */
    if ((drive.pattern & 1) == (drive.direction < 0 ? 1 : 0))
        emf = -emf;
    if (emf < -EMF_THRESHOLD)
        drive.armed = true;
    if (drive.armed && emf >= 0) {
        float ago = 0.5f;                       /* sampled in the middle of the last period */
        if (drive.before_valid && drive.before < 0)
            ago += emf / (emf - drive.before);
        crossing(ago);
    } else if (!drive.armed && emf > EMF_THRESHOLD) {
        rotor_is_ahead();
    }
    drive.before = emf;
    drive.before_valid = true;
}

void watch_back_emf(const port_inputs *in)
{
    if (!drive.crossed)
        look(in);
    float waited = (float)since(drive.commutated_at);
    if (drive.due_set && waited >= drive.due - 0.5f) {
        commutate();
    } else if (!drive.crossed && waited > 1.8f * drive.interval) {
        drive.missed++;                         /* out of patience */
        drive.good = 0;
        drive.count = 0;
        commutate();
    }
}
