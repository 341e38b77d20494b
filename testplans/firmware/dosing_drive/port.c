/* Where the firmware meets the hardware: the PWM interrupt, reset, the legs of the bridge. */
#include <string.h>

#include "drive.h"

drive_t drive;

int port_version(void) { return FIRMWARE_PORT_VERSION; }

void port_reset(double pwm_hz)
{
    memset(&drive, 0, sizeof drive);
    drive.period = (float)(1.0 / pwm_hz);
    drive.sector_rate = (float)(10.0 * pwm_hz / POLE_PAIRS);
    drive.slow_ticks = ticks(0.001f);
    drive.slow_time = (float)drive.slow_ticks * drive.period;
    drive.direction = 1;
    drive.sector = -1;
    drive.sensing = SENSING_AT_POWER_UP;
    drive.temperature = 25.0f;
    drive.limit = DRIVE_LIMIT;
    serial_reset();
}

static void measure(const port_inputs *in)
{
    /* the high gate is on in the middle of the period: the winding current passes the shunt */
    drive.current = drive.bridge == DRIVEN ? in->i_bus : 0;
    drive.current_seen += 0.005f * (size_of(drive.current) - drive.current_seen);
    drive.peak = larger(drive.peak, size_of(in->i_bus));
    drive.bus += 0.1f * (in->v_bus - drive.bus);
}

static void every_millisecond(const port_inputs *in)
{
    const float *v = in->v_phase;
    drive.temperature = in->t_stage;
    if (drive.bridge == OFF)                    /* a coasting rotor shows its back-EMF */
        drive.coasting = (larger(larger(v[0], v[1]), v[2]) - smaller(smaller(v[0], v[1]), v[2]))
                         / EMF_PER_RPM;
    if (in->buttons & 1)
        drive.wanted = false;
    estimate_speed();
    derate();
    protect_slow();
    step_slow();
}

static void command_legs(port_outputs *out)
{
    for (int leg = 0; leg < 3; leg++) {
        out->duty[leg] = 0;
        out->drive[leg] = drive.bridge == OFF ? LEG_FLOAT : LEG_SYNC;
    }
    if (drive.bridge == DRIVEN) {
        out->duty[HIGH[drive.pattern]] = drive.applied / drive.bus;
        out->drive[FLOATING[drive.pattern]] = LEG_FLOAT;
    }
    out->leds = (uint8_t)((drive.bridge != OFF) | (drive.state == FAULT) << 1
                          | (drive.sensing == BY_BACK_EMF) << 2);
}

void port_period(const port_inputs *in, port_outputs *out)
{
    drive.tick++;
    drive.time_us = (uint32_t)(uint64_t)(in->time * 1e6);
    measure(in);
    protect_fast(in);
    if (drive.sensing == BY_HALL) {
        track_hall(in->hall);
        commutate_by_hall();
    } else if (drive.bridge == DRIVEN && drive.state != ALIGN
               && (drive.state != RAMP || drive.caught)) {
        watch_back_emf(in);
    }
    step_fast();
    if (++drive.slow_phase >= drive.slow_ticks) {
        drive.slow_phase = 0;
        every_millisecond(in);
    }
    if (drive.bridge == DRIVEN)
        limit_voltage();
    command_legs(out);
    stream();
}
