/* Firmware port, version 1: how motor-control firmware meets the simulated bench.
 *
 * Build the control code as a shared library for the computer, export the functions at the end
 * of this file, and name the library (or its C sources) in the rig file. The bench then plays
 * hardware: it calls port_period() wherever the PWM interrupt would fire, and moves serial bytes
 * with port_receive() and port_transmit(). Globals may hold all state: each simulated board loads
 * a copy of the library of its own, is served by one thread, and calls are never nested.
 *
 * Timing. PWM is centre-aligned; the middle of the period is the sampling instant of every input.
 * The call at the start of period k gets what was sampled in the middle of period k-1, and what it
 * commands acts during period k (or one period later where the rig file says so). The high gate is
 * on around the middle: a leg whose duty outlasts the dead time is sampled with it on.
 *
 * Signs. Clockwise is positive: electrical angle grows, phases follow each other as A, B, C.
 * Back-EMF of A crosses zero upwards at 0 degrees electrical and has its flat top from 30 to 150;
 * Hall A is high on [30, 210). B lags A by 120 degrees and C by 240. So clockwise `hall` goes
 * 5, 1, 3, 2, 6, 4, and six-step commutation drives high and low, in this order: A and B, A and C,
 * B and C, B and A, C and A, C and B; counter-clockwise with high and low exchanged. A rig file may
 * swap leads, swap or invert sensors, or shift them.
 *
 * Power. The board's logic has a supply of its own: with the bench supply off v_bus falls, the calls
 * go on, and nothing resets. port_reset() is called right after the library is loaded, and again
 * where a restart of the board is simulated: what it leaves out keeps its value then.
 *
 * Currents. i_bus flows from the DC-link capacitor into the half bridges. With a high gate on it
 * is the winding current; while the current circulates through the low side it is zero; it is
 * negative when the motor returns energy. i_phase counts positive into the motor.
 *
 * Voltages. All refer to DC-link negative. The board's dividers hold the terminals of an idle
 * bridge with a standing motor there; with a turning motor they show back-EMF between the rails,
 * where the diodes of the bridge clamp it.
 *
 * Faults of the firmware. A duty that is NaN or outside 0..1 on a leg that is not floating, and a
 * drive value other than the three below, switch all gates off and end the test item.
 *
 * Outputs keep their values until they are written again; port_reset() leaves all legs floating.
 * All numbers are in SI units unless stated. What the serial bytes mean is no affair of the port.
 */
#ifndef FIRMWARE_PORT_H
#define FIRMWARE_PORT_H
#include <stdint.h>

#define FIRMWARE_PORT_VERSION 1

/* What one half bridge does during a PWM period. Held low is LEG_SYNC with duty 0, held high is
 * LEG_SYNC with duty 1. */
enum {
    LEG_FLOAT = 0, /* neither gate on; current can pass through the diodes only      */
    LEG_SYNC  = 1, /* high gate on for the duty, low gate on for the remainder       */
    LEG_ASYNC = 2  /* high gate on for the duty, neither gate on for the remainder   */
};

typedef struct {
    double  time;       /* s, start of this period; 0 at power-up                    */
    float   v_bus;      /* V, DC link                                                */
    float   v_phase[3]; /* V, terminals of the three phases                          */
    float   i_bus;      /* A, DC-link shunt                                          */
    float   i_phase[3]; /* A, phase shunts; NaN on a board that has none             */
    float   t_stage;    /* degrees Celsius, power stage                              */
    float   pot;        /* speed potentiometer, 0 to 1                               */
    uint8_t hall;       /* sensor A in bit 0, B in bit 1, C in bit 2                 */
    uint8_t buttons;    /* pressed: bit 0 stop, bit 1 clockwise, bit 2 counter-
                           clockwise; bit 3 follows the over-current comparator      */
} port_inputs;

typedef struct {
    float   duty[3];    /* 0 to 1, one per leg, ignored for a floating leg           */
    uint8_t drive[3];   /* LEG_... per leg                                           */
    uint8_t leds;       /* indicators, one per bit                                   */
} port_outputs;

#ifdef __cplusplus
extern "C" {
#endif
/* Returns FIRMWARE_PORT_VERSION. */
int port_version(void);
/* Power-on reset: every variable as after power-up, time starts again at 0. */
void port_reset(double pwm_hz);
/* The PWM interrupt. */
void port_period(const port_inputs *in, port_outputs *out);
/* `count` bytes have reached the receiver, in order. */
void port_receive(const uint8_t *bytes, int count);
/* The transmitter can take `capacity` bytes: write at most so many, return how many. */
int port_transmit(uint8_t *bytes, int capacity);
/* Optional: how often the firmware reset itself since power-up (watchdog and the like). */
int port_resets(void);
#ifdef __cplusplus
}
#endif
#endif
