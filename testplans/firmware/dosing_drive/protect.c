/* Faults. Each switches all gates off and is latched; only a clear and a new start turn the motor
 * again. README.md has the table of limits. */
#include "drive.h"

void trip(int fault)
{
    drive.faults |= fault;
    drive.bridge = OFF;
    drive.wanted = false;
    if (drive.state != FAULT)
        enter(FAULT);
}

/* Every period: what can destroy the power stage within a millisecond. */
void protect_fast(const port_inputs *in)
{
    drive.over_current_count =
        size_of(in->i_bus) > OVER_CURRENT ? drive.over_current_count + 1 : 0;
    if (drive.over_current_count >= OVER_CURRENT_PERIODS || (in->buttons & 8))
        trip(F_OVER_CURRENT);
    drive.high_count = in->v_bus > OVER_VOLTAGE ? drive.high_count + 1 : 0;
    if (drive.high_count >= 10)
        trip(F_OVER_VOLTAGE);
}

static bool too_hot(void)
{
    /* written so that a reading that is no number counts as hot, like one no sensor can give */
    return !(drive.temperature > COLDEST && drive.temperature < HOTTEST
             && drive.temperature < OVER_TEMPERATURE);
}

static void watch_progress(void)
{
    uint32_t idle = since(drive.progress_at);
    bool limited = drive.current_seen > 0.8f * drive.limit;
    if (idle > ticks(STALL_TIME_ANY) || (limited && idle > ticks(STALL_TIME)))
        trip(F_STALL);
    if (drive.sensing != BY_BACK_EMF)
        return;
    float emf = drive.applied - RESISTANCE * drive.current_seen;
    float expected = EMF_PER_RPM * size_of(drive.speed);
    drive.no_emf = emf < 0.5f * expected - 0.5f ? drive.no_emf + 1 : 0;
    if (drive.missed >= MISSED_CROSSINGS || drive.no_emf >= 50)
        trip(F_STALL);
}

/* Once per millisecond. */
void protect_slow(void)
{
    bool turning = drive.state != IDLE && drive.state != FAULT;

    drive.hot_count = too_hot() ? drive.hot_count + 1 : 0;
    if (drive.hot_count >= 10)
        trip(F_OVER_TEMPERATURE);
    drive.low_count = turning && drive.bus < UNDER_VOLTAGE ? drive.low_count + 1 : 0;
    if (drive.low_count >= 5)
        trip(F_UNDER_VOLTAGE);
    drive.heat += (drive.current * drive.current - CONTINUOUS_CURRENT * CONTINUOUS_CURRENT)
                  * drive.slow_time;
    drive.heat = larger(drive.heat, 0);
    if (!turning)
        return;
    if (drive.heat > I2T_BUDGET)
        trip(F_OVER_CURRENT);
    if (LINK_TIMEOUT > 0 && since(drive.heard_at) > ticks(LINK_TIMEOUT))
        trip(F_LINK_LOST);
    if (drive.sensing == BY_HALL && drive.hall_bad >= HALL_TROUBLE)
        trip(F_HALL);
    if (drive.state == RUN)
        watch_progress();
}

/* The current limit falls on a line with the temperature, from full to nothing. */
void derate(void)
{
    float share = (DERATE_END - drive.temperature) / (DERATE_END - DERATE_START);
    drive.limit = DRIVE_LIMIT * smaller(larger(share, 0), 1);
}

bool cause_persists(void)
{
    return too_hot() || drive.bus > OVER_VOLTAGE;
}
