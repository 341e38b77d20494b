/* Everything that may be tuned. Each value can be given on the compiler's command line as well.
 * SI units; speeds in rpm; the motor and load are those of the dosing pump. */
#ifndef CONFIG_H
#define CONFIG_H

/* identity */
#ifndef MODEL
#define MODEL "DOSING-DRIVE"
#endif
#ifndef VERSION
#define VERSION "1.0.0"
#endif
#ifndef BUILD
#define BUILD "C0DE0001"
#endif

/* motor */
#ifndef POLE_PAIRS
#define POLE_PAIRS 4
#endif
#ifndef EMF_PER_RPM
#define EMF_PER_RPM 0.00418879f /* V between two phases: 0.040 V s/rad */
#endif
#ifndef RESISTANCE
#define RESISTANCE 1.2f /* ohm between two phases */
#endif

/* commands */
#ifndef MIN_SPEED
#define MIN_SPEED 500
#endif
#ifndef MAX_SPEED
#define MAX_SPEED 4000
#endif
#ifndef SENSING_AT_POWER_UP
#define SENSING_AT_POWER_UP 0 /* 0 Hall, 1 back-EMF */
#endif
#ifndef LINK_TIMEOUT
#define LINK_TIMEOUT 0.0f /* s, 0 = the link may be silent for ever */
#endif

/* regulator, 1000 steps a second */
#ifndef SLOPE
#define SLOPE 4000.0f /* rpm/s */
#endif
#ifndef PROPORTIONAL
#define PROPORTIONAL 0.0020f /* V/rpm */
#endif
#ifndef INTEGRAL
#define INTEGRAL 0.15f /* V/(rpm s) */
#endif
#ifndef RESPONSE
#define RESPONSE 0.020f /* s by which rotor and measurement follow the voltage */
#endif
#ifndef TRACKING
#define TRACKING 0.2f /* share of the voltage cut off that leaves the integrator per step */
#endif
#ifndef DRIVE_LIMIT
#define DRIVE_LIMIT 6.0f /* A */
#endif
#ifndef BRAKE_LIMIT
#define BRAKE_LIMIT 2.0f /* A fed back */
#endif
#ifndef REGEN_VOLTAGE
#define REGEN_VOLTAGE 38.0f /* V, nothing is fed back above */
#endif
#ifndef LIMIT_INTEGRAL
#define LIMIT_INTEGRAL 1000.0f /* V/(A s) */
#endif
#ifndef LIMIT_PROPORTIONAL
#define LIMIT_PROPORTIONAL 2.0f /* V/A beyond the limit */
#endif
#ifndef DUTY_MIN
#define DUTY_MIN 0.02f /* smallest on time in which the current can be sampled */
#endif
#ifndef DUTY_MAX
#define DUTY_MAX 0.98f
#endif

/* sensing */
#ifndef SPEED_WINDOW
#define SPEED_WINDOW 0.004f /* s */
#endif
#ifndef STANDSTILL
#define STANDSTILL 0.100f /* s without passing a sector */
#endif
#ifndef BLANK
#define BLANK 0.0001f /* s after a commutation */
#endif
#ifndef BLANK_SHARE
#define BLANK_SHARE 0.10f /* or this share of a sector, if longer */
#endif
#ifndef EMF_THRESHOLD
#define EMF_THRESHOLD 0.12f /* V */
#endif
#ifndef COMMUTATION_DELAY
#define COMMUTATION_DELAY 0.5f /* sectors from crossing to commutation: 30 degrees */
#endif

/* start with back-EMF sensing */
#ifndef ALIGN_FIRST
#define ALIGN_FIRST 0.100f /* s */
#endif
#ifndef ALIGN_SECOND
#define ALIGN_SECOND 0.150f /* s */
#endif
#ifndef ALIGN_CURRENT
#define ALIGN_CURRENT 3.0f /* A */
#endif
#ifndef ALIGN_RISE
#define ALIGN_RISE 0.030f /* s */
#endif
#ifndef RAMP_FIRST
#define RAMP_FIRST 75.0f /* rpm */
#endif
#ifndef RAMP_SLOPE
#define RAMP_SLOPE 4000.0f /* rpm/s */
#endif
#ifndef RAMP_SPEED
#define RAMP_SPEED 600.0f /* rpm, at most 0.9 of the set point */
#endif
#ifndef RAMP_CURRENT
#define RAMP_CURRENT 2.6f /* A */
#endif
#ifndef CATCH_CURRENT
#define CATCH_CURRENT 1.0f /* A */
#endif
#ifndef CATCH_PROPORTIONAL
#define CATCH_PROPORTIONAL 0.005f /* V/rpm */
#endif
#ifndef CATCH_SHARE
#define CATCH_SHARE 0.8f /* of the ramp's end speed */
#endif
#ifndef CATCH_TIME
#define CATCH_TIME 0.200f /* s */
#endif
#ifndef HANDOVER_CROSSINGS
#define HANDOVER_CROSSINGS 6
#endif

/* stop and reversal */
#ifndef SHORT_SPEED_HALL
#define SHORT_SPEED_HALL 200.0f /* rpm */
#endif
#ifndef SHORT_SPEED_BACK_EMF
#define SHORT_SPEED_BACK_EMF 400.0f /* rpm */
#endif
#ifndef SHORT_TIME
#define SHORT_TIME 0.150f /* s */
#endif
#ifndef TURNING_SPEED
#define TURNING_SPEED 200.0f /* rpm */
#endif

/* protection */
#ifndef OVER_CURRENT
#define OVER_CURRENT 9.0f /* A */
#endif
#ifndef OVER_CURRENT_PERIODS
#define OVER_CURRENT_PERIODS 3
#endif
#ifndef CONTINUOUS_CURRENT
#define CONTINUOUS_CURRENT 4.0f /* A */
#endif
#ifndef I2T_BUDGET
#define I2T_BUDGET 7.0f /* A^2 s */
#endif
#ifndef STALL_TIME
#define STALL_TIME 0.150f /* s at the current limit */
#endif
#ifndef STALL_TIME_ANY
#define STALL_TIME_ANY 0.500f /* s at any current */
#endif
#ifndef MISSED_CROSSINGS
#define MISSED_CROSSINGS 6
#endif
#ifndef UNDER_VOLTAGE
#define UNDER_VOLTAGE 16.0f /* V */
#endif
#ifndef OVER_VOLTAGE
#define OVER_VOLTAGE 44.0f /* V */
#endif
#ifndef DERATE_START
#define DERATE_START 65.0f /* degrees Celsius, from where the drive limit falls */
#endif
#ifndef DERATE_END
#define DERATE_END 80.0f /* degrees Celsius, where nothing is left of it */
#endif
#ifndef COLDEST
#define COLDEST -40.0f /* degrees Celsius; a sensor that reports less is broken */
#endif
#ifndef HOTTEST
#define HOTTEST 150.0f /* degrees Celsius; a sensor that reports more is broken */
#endif
#ifndef OVER_TEMPERATURE
#define OVER_TEMPERATURE 85.0f /* degrees Celsius */
#endif
#ifndef HALL_TROUBLE
#define HALL_TROUBLE 20
#endif

#endif
