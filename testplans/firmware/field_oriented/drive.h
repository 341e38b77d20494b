/* Field-oriented drive: what its files share. SI units, speeds in rpm, angles in electrical
 * radians. The angle is 0 where the rotor's flux lies on phase A; d is along the flux, q a quarter
 * turn ahead of it: positive q current turns clockwise. */
#ifndef DRIVE_H
#define DRIVE_H
#include <stdbool.h>
#include <stdint.h>

#include "firmware_port.h"

#define PI 3.14159265f

/* motor: line to line values of the name plate are twice these */
#define POLE_PAIRS 4
#define RESISTANCE 0.6f      /* ohm, one phase */
#define INDUCTANCE 0.7e-3f   /* H, one phase   */

/* limits */
#define MIN_SPEED 500        /* rpm */
#define MAX_SPEED 4000
#define DRIVE_LIMIT 5.5f     /* A of q current                       */
#define BRAKE_LIMIT 1.0f     /* A fed back, and none above ...       */
#define BRAKE_VOLTAGE 36.0f  /* V                                    */
#define SLOPE 4000.0f        /* rpm/s of the set point               */
#define OVER_CURRENT 9.0f    /* A in a phase                         */
#define OVER_VOLTAGE 40.0f   /* V                                    */
#define UNDER_VOLTAGE 16.0f  /* V while turning                      */
#define OVER_TEMPERATURE 85.0f
#define COLDEST (-40.0f) /* of a working sensor, degrees Celsius */
#define STALL_TIME 0.15f     /* s at the current limit without a Hall edge */
#define LINK_TIMEOUT 2.0f    /* s without a command while turning    */

enum state { IDLE = 0, RUN = 3, BRAKE = 4, FAULT = 5 };
enum fault {
    FAULT_CURRENT = 1, FAULT_STALL = 2, FAULT_OVER_VOLTAGE = 4, FAULT_UNDER_VOLTAGE = 8,
    FAULT_TEMPERATURE = 16, FAULT_HALL = 32, FAULT_LINK = 128
};
enum refusal { OBEYED = 0, BUSY = 1, LATCHED = 2, RANGE = 3, UNKNOWN = 4 };

typedef struct {
    float period;       /* s of PWM                                   */
    /* rotor.c */
    float angle;        /* now                                        */
    float speed;        /* rpm, clockwise positive                    */
    float since_edge;   /* s since the last Hall edge                 */
    unsigned hall_bad;  /* periods in a row with an impossible code   */
    /* control.c */
    enum state state;
    unsigned faults;
    float target;       /* rpm, as commanded                          */
    float setpoint;     /* rpm, on its way to the target              */
    float i_q, i_seen, peak, v_bus, temperature;
    double time;        /* s since power-up                           */
    double heard;       /* when the last command came                 */
} drive_t;
extern drive_t drive;

void rotor_reset(void);                         /* rotor.c                         */
void rotor_track(unsigned hall);
int drive_start(long rpm);                      /* control.c: commands             */
int drive_set_speed(long rpm);
int drive_stop(void);
int drive_clear(void);
void control_reset(void);
void control_period(const port_inputs *in, port_outputs *out);
void link_reset(void);                          /* link.c                          */
void link_tick(void);
#endif
