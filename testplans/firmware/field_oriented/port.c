/* Where the firmware meets the hardware: reset and the PWM interrupt; the bytes are in link.c. */
#include <string.h>

#include "drive.h"

int port_version(void) { return FIRMWARE_PORT_VERSION; }

void port_reset(double pwm_hz)
{
    memset(&drive, 0, sizeof drive);
    drive.period = (float)(1.0 / pwm_hz);
    control_reset();
    rotor_reset();
    link_reset();
}

void port_period(const port_inputs *in, port_outputs *out)
{
    drive.time = in->time;
    rotor_track(in->hall);
    control_period(in, out);
    link_tick();
}
