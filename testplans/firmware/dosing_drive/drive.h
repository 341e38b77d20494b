/* What the files of the firmware share: the states, the variables and each other's functions. */
#ifndef DRIVE_H
#define DRIVE_H
#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "firmware_port.h"

enum { IDLE, ALIGN, RAMP, RUN, BRAKE, FAULT };   /* state, as reported               */
enum { BY_HALL, BY_BACK_EMF };                   /* sensing                          */
enum { OFF, DRIVEN, SHORTED };                   /* what the bridge does             */
enum { DONE, BUSY, LATCHED, RANGE, UNKNOWN };    /* answers to commands              */
enum {                                           /* faults, one bit each             */
    F_OVER_CURRENT = 1, F_STALL = 2, F_OVER_VOLTAGE = 4, F_UNDER_VOLTAGE = 8,
    F_OVER_TEMPERATURE = 16, F_HALL = 32, F_START_FAILED = 64, F_LINK_LOST = 128
};

#define SUB 64u /* times of sectors are kept in 1/64 of a period; differences survive the wrap */

typedef struct {
    /* time */
    uint32_t tick;          /* PWM periods since power-up                                    */
    uint32_t time_us;
    float period;           /* s                                                             */
    float sector_rate;      /* rpm * periods: speed = sector_rate / periods per sector       */
    uint32_t slow_ticks, slow_phase;
    float slow_time;        /* s                                                             */
    /* measured */
    float current;          /* A in the driven direction                                     */
    float current_seen, peak, bus, temperature, coasting;
    /* rotor */
    int sector;             /* by Hall sensors, -1 unknown                                   */
    int hall_bad, hall_jump;
    int motion;             /* direction of the last sector passed                           */
    uint32_t times[8];      /* when sectors were passed, in 1/64 periods, a ring             */
    unsigned head;
    int count;              /* valid times                                                   */
    int32_t advance, furthest;
    uint32_t progress_at;
    float speed, speed_seen; /* rpm, clockwise positive                                      */
    /* commutation */
    int direction;          /* +1 clockwise, -1 counter-clockwise                            */
    int pattern;            /* 0..5                                                          */
    int bridge;
    uint32_t commutated_at;
    bool armed, crossed, before_valid, due_set;
    float before;           /* V, back-EMF one sample ago                                    */
    float due;              /* periods from `commutated_at` to the next commutation          */
    float interval;         /* periods per sector                                            */
    int good, missed;
    /* regulator */
    float ramped, expected, integral, proposed, ceiling, floor, applied;
    float limit;            /* A: of the drive limit what the temperature leaves             */
    /* sequence */
    int state, sensing;
    float target;           /* signed set point, rpm                                         */
    bool wanted;            /* the drive shall turn                                          */
    uint32_t entered, shorted_at, caught_at;
    bool shorted, caught;
    float ramp_rate, ramp_phase, ramp_end;
    /* protection */
    int faults;
    int over_current_count, low_count, high_count, hot_count, no_emf;
    float heat;             /* A^2 s                                                         */
    /* link */
    uint32_t heard_at;
    uint32_t stream_ticks, stream_phase;
    uint8_t sequence;
} drive_t;

extern drive_t drive;

static inline float larger(float a, float b) { return a > b ? a : b; }
static inline float smaller(float a, float b) { return a < b ? a : b; }
static inline float size_of(float a) { return a < 0 ? -a : a; }
static inline uint32_t ticks(float seconds) { return (uint32_t)(seconds / drive.period + 0.5f); }
static inline uint32_t since(uint32_t tick) { return drive.tick - tick; }
static inline void enter(int state)
{
    drive.state = state;
    drive.entered = drive.tick;
}

/* sensing.c */
void track_hall(uint8_t code);
void commutate_by_hall(void);
int  hall_pattern(void);
void watch_back_emf(const port_inputs *in);
void commutate(void);
void estimate_speed(void);
void forget_rotor(void);
void forget_progress(void);
extern const uint8_t HIGH[6], LOW[6], FLOATING[6];

/* protect.c */
void trip(int fault);
void protect_fast(const port_inputs *in);
void protect_slow(void);
void derate(void);
bool cause_persists(void);

/* control.c */
void begin(void);
void step_fast(void);
void step_slow(void);
void limit_voltage(void);

/* serial.c */
void serial_reset(void);
void stream(void);
#endif
