"""All variables of the reference firmware, as one record: what a linker map is for a C firmware.

Nothing of the firmware lives outside this record, so one compiled program serves any number of
boards. The first part holds settings, written once by the power-on reset and never by the control
loop; the second part holds what the loop remembers from one PWM period to the next. Speeds are in
rpm and signed clockwise positive, durations in PWM periods (called ticks), all else in SI units.

This layout is compiled into the machine code: `hil.twin.jit` counts this file among its sources.
"""

from __future__ import annotations

import numpy as np

from hil.core.drive import DriveState, Fault

IDLE = int(DriveState.IDLE)
ALIGN = int(DriveState.ALIGN)
RAMP = int(DriveState.RAMP)
RUN = int(DriveState.RUN)
BRAKE = int(DriveState.BRAKE)
FAULT = int(DriveState.FAULT)

OVER_CURRENT = int(Fault.OVER_CURRENT)
STALL = int(Fault.STALL)
OVER_VOLTAGE = int(Fault.OVER_VOLTAGE)
UNDER_VOLTAGE = int(Fault.UNDER_VOLTAGE)
OVER_TEMPERATURE = int(Fault.OVER_TEMPERATURE)
HALL_FAULT = int(Fault.HALL)
START_FAILED = int(Fault.START_FAILED)
LINK_LOST = int(Fault.LINK_LOST)

SENSE_HALL, SENSE_BACK_EMF = 0, 1
LINES, COBS = 0, 1

TX_SIZE = 1024  # bytes waiting for the line; a power of two
RX_SIZE = 64  # longest command, in bytes
FRAME_SIZE = 160  # longest message to the host, in bytes

_SETTINGS = [
    # board and motor
    ("protocol", "i4"),
    ("model", "u1", (16,)),
    ("version", "u1", (8,)),
    ("build", "u1", (8,)),
    ("period", "f8"),  # s
    ("sector_rate", "f8"),  # rpm times ticks: speed = sector_rate / ticks per 60 electrical degrees
    ("emf_per_rpm", "f8"),  # V between two phases, per rpm
    ("resistance", "f8"),  # ohm between two phases
    # commands
    ("min_speed", "f8"),
    ("max_speed", "f8"),
    ("slope", "f8"),  # rpm per slow step
    ("link_ticks", "i8"),  # 0 = the link may be silent for ever
    # regulator
    ("slow_ticks", "i8"),
    ("slow_time", "f8"),  # s
    ("proportional", "f8"),  # V/rpm
    ("integral_step", "f8"),  # V/rpm per slow step
    ("first_current", "f8", (2,)),  # A assumed to be needed at the start of regulation, per sensing
    ("response", "f8"),  # share of the way to the ramped set point per slow step
    ("drive_limit", "f8"),  # A
    ("brake_limit", "f8"),  # A
    ("regen_voltage", "f8"),  # V
    ("limit_integral", "f8"),  # V/A per tick
    ("limit_proportional", "f8"),  # V/A
    ("duty_min", "f8"),
    ("duty_max", "f8"),
    # sensing
    ("hall_table", "i4", (8,)),  # sector of each code, -1 = illegal
    ("speed_window", "f8"),  # ticks
    ("standstill_ticks", "i8"),
    ("blank_ticks", "f8"),
    ("blank_share", "f8"),  # of a sector
    ("emf_threshold", "f8"),  # V
    ("commutation_delay", "f8"),  # of a sector, from zero crossing to commutation
    # sequencer
    ("align_ticks", "i8", (2,)),
    ("align_voltage", "f8"),  # V
    ("align_rise", "f8"),  # V per tick
    ("ramp_step", "f8"),  # rpm per tick
    ("ramp_first", "f8"),
    ("ramp_speed", "f8"),
    ("ramp_drop", "f8"),  # V, resistive drop at the ramp's current
    ("catch_drop", "f8"),  # V, the same while looking for the first crossings
    ("catch_proportional", "f8"),  # V/rpm
    ("catch_share", "f8"),  # of the ramp's end speed
    ("catch_ticks", "i8"),
    ("handover_crossings", "i4"),
    ("start_attempts", "i4"),
    ("short_speed", "f8", (2,)),  # per sensing
    ("short_ticks", "i8"),
    ("turning_speed", "f8"),
    # protection
    ("over_current", "f8"),
    ("over_current_ticks", "i4"),
    ("continuous_squared", "f8"),  # A^2
    ("i2t_budget", "f8"),  # A^2 s
    ("stall_ticks", "i8"),
    ("stall_ticks_any", "i8"),
    ("missed_crossings", "i4"),
    ("under_voltage", "f8"),
    ("over_voltage", "f8"),
    ("over_temperature", "f8"),
    ("derate_start", "f8"),  # degC
    ("derate_end", "f8"),  # degC
    ("coldest", "f8"),  # degC that a working sensor can report
    ("hottest", "f8"),  # degC
    ("hall_trouble", "i4"),
    # seams: neutral by default, one observable consequence each (see `settings.SEAMS`)
    ("speed_scale", "f8"),
    ("current_scale", "f8"),
    ("trip_scale", "f8"),
    ("report_speed_scale", "f8"),
    ("report_current_scale", "f8"),
    ("report_peak_scale", "f8"),
    ("report_voltage_scale", "f8"),
    ("report_temperature_offset", "f8"),
    ("lag", "f8"),  # ticks between the decision to commutate and the commutation
    ("lag_reverse", "f8"),
    ("hall_shift", "i4"),
    ("tracking", "f8"),
    ("ahead", "f8"),
    ("fault_mask", "i4"),
    ("latching", "i4"),
    ("restarting", "i4"),
    ("drop_every", "i4"),
    ("corrupt_every", "i4"),
    ("check_range", "i4"),
    ("speed_scale_reverse", "f8"),
    ("hall_shift_reverse", "i4"),
    ("hall_lost_code", "i4"),
    ("turn_sign", "i4"),
    ("speed_step", "i4"),
    ("start_in_fault", "i4"),
    ("clear_unchecked", "i4"),
    ("sense_turning", "i4"),
    ("lag_slow_reverse", "f8"),
    ("rough_speed", "f8"),
    ("stop_clears", "i4"),
    ("speed_restarts", "i4"),
    ("off_late", "f8"),
    ("sensor_forgotten", "i4"),
    ("reverse_ignored", "i4"),
    ("stop_deaf_above", "f8"),
    ("stop_coasts", "i4"),
    ("blind_after_trip", "i4"),
    ("reset_above", "f8"),
    ("quit_after", "f8"),
    ("wake_after", "f8"),
    ("drift", "f8"),
    ("report_drift", "f8"),
    ("report_offset", "f8"),
    ("report_unsigned", "i4"),
    ("report_share", "f8"),
    ("report_frozen", "f8"),
    ("report_fault_mask", "i4"),
    ("report_glitch", "f8"),
    ("stream_scale", "f8"),
    ("count_frames", "i4"),
    ("start_missed", "f8"),
    ("start_delay", "f8"),
    ("start_trips", "f8"),
]

_VARIABLES = [
    # time and measurements
    ("tick", "i8"),
    ("slow_phase", "i8"),
    ("current", "f8"),  # A, signed: positive drives in the commanded direction
    ("current_seen", "f8"),  # A, filtered magnitude
    ("peak", "f8"),  # A, since the previous telemetry frame
    ("bus", "f8"),  # V, filtered
    ("temperature", "f8"),  # degC, filtered
    ("coasting", "f8"),  # rpm, magnitude, from the terminals of a floating bridge
    # rotor
    ("sector", "i4"),
    ("hall_bad", "i4"),
    ("hall_jump", "i4"),
    ("motion", "i4"),  # direction of the last sector passed
    ("times", "f8", (8,)),  # ticks at which sectors were passed, a ring
    ("head", "i4"),
    ("count", "i4"),
    ("advance", "i8"),  # sectors passed in the commanded direction
    ("furthest", "i8"),
    ("progress_at", "i8"),  # tick of the last progress
    ("speed", "f8"),
    ("speed_seen", "f8"),  # filtered, for the report
    # commutation
    ("direction", "i4"),
    ("pattern", "i4"),
    ("next_pattern", "i4"),
    ("bridge", "i4"),  # what the legs do: see `commutation`
    ("commutated_at", "i8"),
    ("due", "f8"),  # tick at which to commutate, or infinity
    ("interval", "f8"),  # ticks per sector that the back-EMF sensing reckons with
    ("armed", "i4"),
    ("crossed", "i4"),
    ("before", "f8"),  # V, the sample before, NaN if none is valid
    ("good", "i4"),
    ("missed", "i4"),
    # regulator
    ("ramped", "f8"),  # rpm, magnitude in the commanded direction
    ("expected", "f8"),  # rpm, what the rotor should do by now
    ("integral", "f8"),  # V
    ("proposed", "f8"),  # V
    ("limit", "f8"),  # A, of the drive limit what the temperature leaves
    ("ceiling", "f8"),  # V
    ("floor", "f8"),  # V
    ("applied", "f8"),  # V
    # sequencer
    ("state", "i4"),
    ("sensing", "i4"),
    ("target", "f8"),  # signed set point as commanded
    ("wanted", "i4"),  # 1 while the drive shall turn
    ("entered", "i8"),  # tick at which the state was entered
    ("shorted", "i8"),  # tick at which the brake shorted the windings, -1 = not yet
    ("ramp_rate", "f8"),  # rpm
    ("ramp_phase", "f8"),  # sectors
    ("ramp_end", "f8"),  # rpm
    ("caught", "i8"),  # tick at which the ramp began to look for crossings, -1 = not yet
    ("attempt", "i4"),
    # protection
    ("faults", "i4"),
    ("over_current_count", "i4"),
    ("heat", "f8"),  # A^2 s
    ("low_count", "i4"),
    ("high_count", "i4"),
    ("hot_count", "i4"),
    ("no_emf", "i4"),
    ("tripped_once", "i4"),
    ("rough_count", "i4"),  # of the seam `rough_speed`
    ("dice", "i8"),  # of the seams that act by chance
    ("frozen", "f8", (2,)),  # rpm and A reported ever after, with the seam `report_frozen`
    # serial
    ("heard_at", "i8"),
    ("stream_ticks", "i8"),
    ("stream_phase", "i8"),
    ("sequence", "i4"),
    ("frames", "i8"),
    ("time_us", "f8"),
    ("booted", "f8"),  # s at which the program began, other than 0 only with `reset_above`
    ("received", "u1", (RX_SIZE,)),
    ("received_count", "i4"),  # beyond RX_SIZE: too long, thrown away
    ("bad_messages", "i8"),
    ("frame", "u1", (FRAME_SIZE,)),
    ("frame_count", "i4"),
    ("waiting", "u1", (TX_SIZE,)),
    ("waiting_first", "i8"),
    ("waiting_end", "i8"),
    ("lost_messages", "i8"),
]

STATE = np.dtype(_SETTINGS + _VARIABLES, align=True)
#: Names of the fields that the power-on reset takes from the settings.
SETTING_FIELDS = tuple(str(entry[0]) for entry in _SETTINGS)
