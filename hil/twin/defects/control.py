"""Defects of starting, commutating, regulating, reversing and stopping."""

from __future__ import annotations

from hil.twin.defects.kinds import Defect, Seed

START = (
    Defect(
        "start-hesitates",
        "Every start is carried out a quarter of a second after it was acknowledged.",
        (Seed("start_delay", 0.25),),
        ("start",),
        ("time-to-motion",),
    ),
    Defect(
        "start-kick-too-strong",
        "A Hall start begins with a burst of current far above what the pump needs.",
        (Seed("first_current.0", 5.0),),
        ("start", "one-sensing"),
        ("peak-current", "overshoot"),
    ),
    Defect(
        "start-sluggish",
        "The set point rises at a fifth of the intended rate, so that starts take too long.",
        (Seed("slope", 800.0),),
        ("start", "set-point"),
        ("time-to-speed", "settling-time", "transition-duration", "not reached within"),
    ),
    Defect(
        "alignment-too-short",
        "The rotor is given 40 ms instead of 250 ms to align before the ramp.",
        (Seed("align_times.0", 0.02), Seed("align_times.1", 0.02)),
        ("alignment", "one-sensing"),
        ("alignment-time", "success", "fault-count"),
    ),
    Defect(
        "alignment-too-strong",
        "Alignment drives twice the intended current through the winding.",
        (Seed("align_current", 6.0),),
        ("alignment", "one-sensing"),
        ("peak-current", "total-kick", "backward-kick"),
    ),
    Defect(
        "ramp-too-slow",
        "The open-loop ramp takes several times as long, so that the handover comes late.",
        (Seed("ramp_slope", 700.0),),
        ("start", "handover", "one-sensing"),
        ("time-to-speed", "settling-time", "handover-speed"),
    ),
    Defect(
        "handover-too-slow-a-rotor",
        "The ramp ends at half the speed, where the back-EMF is hardly above the noise.",
        (Seed("ramp_speed", 250.0),),
        ("handover", "one-sensing"),
        ("handover-speed", "success", "handover-dip"),
    ),
    Defect(
        "rotor-lost-when-led-slowly",
        "With back-EMF sensing the drive aligns anew if the set point is near 700 rpm for 50 ms.",
        (Seed("rough_speed", 700.0),),
        ("handover", "one-sensing", "one-corner"),
        ("returns-to-align", "speed-sag"),
    ),
    Defect(
        "handover-impatient",
        "A start is given up after 10 ms in which no rotor can have been found yet.",
        (Seed("catch_time", 0.010),),
        ("handover", "one-sensing"),
        ("success", "fault-count", "start-failed"),
    ),
    Defect(
        "failed-start-tried-again",
        "A start that failed is tried twice more in silence before it is reported.",
        (Seed("start_attempts", 3),),
        ("start", "handover", "one-corner"),
        ("trip-time-from-standstill", "tripped"),
    ),
    Defect(
        "start-missed-1-in-50",
        "One start in fifty is acknowledged and not carried out.",
        (Seed("start_missed", 0.02),),
        ("start", "intermittent", "by-chance"),
        ("success", "not reached within", "time-to-speed", "time-to-reverse-speed"),
        odds=0.02,
    ),
    Defect(
        "start-trips-1-in-50",
        "One start in fifty ends in an over-current fault without any over-current.",
        (Seed("start_trips", 0.02),),
        ("start", "over-current", "intermittent", "by-chance"),
        ("success", "fault-count", "over-current", "not reached within"),
        odds=0.02,
    ),
)

TIMING = (
    Defect(
        "commutation-late",
        "Every commutation comes 400 us late, so that the highest speed is out of reach.",
        (Seed("lag", 8.0),),
        ("timing", "one-sensing", "one-corner"),
        ("not reached within", "peak-current", "final-current-crest", "success"),
    ),
    Defect(
        "commutation-a-little-late-reverse",
        "Counter-clockwise only, every commutation comes 250 us late: the current pulsates more.",
        (Seed("lag_reverse", 5.0),),
        ("timing", "direction", "one-direction", "one-sensing", "one-corner"),
        ("final-current-crest",),
    ),
    Defect(
        "commutation-late-when-slow-and-reverse",
        "Counter-clockwise and below 1200 rpm, every commutation comes 1.8 ms late.",
        (Seed("lag_slow_reverse", 36.0),),
        ("timing", "direction", "one-direction", "one-sensing", "one-corner"),
        ("current-asymmetry",),
    ),
    Defect(
        "commutation-late-after-the-crossing",
        "With back-EMF sensing the motor commutates 24 degrees late and falls out of step.",
        (Seed("commutation_delay", 0.9),),
        ("timing", "one-sensing"),
        ("entry speed", "not reached within", "success", "fault-count", "final-current-crest"),
    ),
    Defect(
        "blanking-too-long",
        "Back-EMF is not looked at for 70 % of a sector, so that every crossing is missed.",
        (Seed("blank_share", 0.7),),
        ("blanking", "one-sensing"),
        ("success", "fault-count", "start-failed", "stall"),
    ),
    Defect(
        "blanking-fixed-and-long",
        "Back-EMF is not looked at for 600 us, more than half a sector at high speed only.",
        (Seed("blank", 0.0006),),
        ("blanking", "one-sensing", "one-corner"),
        ("success", "fault-count", "stall", "peak-current", "ripple", "not reached within"),
    ),
    Defect(
        "slowest-speed-taken-for-standstill",
        "A rotor that needs more than 5.2 ms for a sector, as at 500 rpm, counts as standing.",
        (Seed("standstill", 0.0052),),
        ("regulation", "one-corner"),
        ("minimum-speed", "final-speed-error"),
    ),
    Defect(
        "hall-table-shifted",
        "The Hall table is off by one sector, so that the current fights the magnet.",
        (Seed("hall_shift", 1),),
        ("hall-table", "one-sensing"),
        ("success", "peak-current", "ripple", "current-disagreement", "fault-count", "shaft moved"),
    ),
    Defect(
        "hall-table-shifted-reverse",
        "The Hall table is off by one sector counter-clockwise only.",
        (Seed("hall_shift_reverse", 1),),
        ("hall-table", "direction", "one-direction", "one-sensing"),
        ("success", "peak-current", "ripple", "current-disagreement", "fault-count"),
    ),
    Defect(
        "hall-code-missing",
        "One of the six Hall codes is taken for illegal.",
        (Seed("hall_lost_code", 4),),
        ("hall-table", "one-sensing"),
        ("success", "fault-count", "hall"),
    ),
    Defect(
        "turns-the-wrong-way",
        "The shaft turns the other way round while every reported number is as asked for.",
        (Seed("turn_sign", -1),),
        ("direction", "witness-only"),
        ("direction-agreement", "success", "backward-kick", "against the commanded direction"),
    ),
)

REGULATION = (
    Defect(
        "regulator-sluggish",
        "Without a proportional part and with a weak integral part loads slow the pump down more.",
        (Seed("proportional", 0.0), Seed("integral", 0.03)),
        ("regulation",),
        ("speed-dip", "settling-time", "steady-error"),
    ),
    Defect(
        "runs-too-fast-unknowingly",
        "The measured speed is 4 % low, so the shaft runs 4 % fast and the report is on target.",
        (Seed("speed_scale", 0.96),),
        ("scaling", "witness-only"),
        ("steady-error", "final-speed-error", "largest-speed-error", "speed-disagreement"),
    ),
    Defect(
        "runs-too-fast-counter-clockwise",
        "Counter-clockwise only, the shaft runs 3 % fast and the report is on target.",
        (Seed("speed_scale_reverse", 0.97),),
        ("scaling", "direction", "witness-only", "one-direction"),
        ("steady-error", "final-speed-error", "largest-speed-error", "speed-disagreement"),
    ),
    Defect(
        "integral-part-missing",
        "Without an integral part the speed sags under load and stays there.",
        (Seed("integral", 0.0),),
        ("regulation",),
        ("steady-error", "final-speed-error", "settling-time", "largest-speed-error", "success"),
    ),
    Defect(
        "regulator-too-eager",
        "The gains are ten times too high, so that the speed hunts.",
        (Seed("proportional", 0.03), Seed("integral", 1.5)),
        ("regulation",),
        ("ripple", "peak-current", "overshoot", "steady-error", "settling-time"),
    ),
    Defect(
        "integrator-winds-up",
        "The integrator goes on while the drive is at its limit, and overshoots on release.",
        (Seed("tracking", 0.0), Seed("ahead", 1e9)),
        ("anti-windup",),
        ("wind-up-overshoot", "steady-error"),
    ),
    Defect(
        "voltage-ceiling-too-low",
        "The duty ends at 70 %, so that the highest speed is out of reach at 24 V.",
        (Seed("duty_max", 0.70),),
        ("limits", "regulation", "one-corner"),
        ("not reached within", "success", "steady-error", "largest-speed-error", "time-to-speed"),
    ),
    Defect(
        "current-limit-too-low",
        "The current limit is a third of the intended one, so that loads stop the pump.",
        (Seed("current_scale", 3.0),),
        ("scaling", "limits"),
        ("speed-dip", "tripped", "fault-count", "success", "time-to-speed", "entry speed"),
    ),
    Defect(
        "current-limit-too-high",
        "The current limit sees half the current and lets through twice as much.",
        (Seed("current_scale", 0.5),),
        ("scaling", "limits", "over-current"),
        ("peak-current", "let-through", "expected fault stall"),
    ),
    Defect(
        "set-point-in-hundreds",
        "Set points are cut to whole hundreds of rpm, and so is what is reported as set point.",
        (Seed("speed_step", 100),),
        ("set-point", "one-corner"),
        ("largest-speed-error", "final-speed-error", "not reached within"),
    ),
)

REVERSAL_AND_STOP = (
    Defect(
        "reversal-ignored",
        "A set point of the other direction is acknowledged and ignored.",
        (Seed("reverse_ignored", 3),),
        ("reversal",),
        ("success", "time-to-reverse-speed", "time-to-standstill", "not reached within"),
    ),
    Defect(
        "reversal-to-clockwise-ignored",
        "A reversal from counter-clockwise to clockwise is acknowledged and ignored.",
        (Seed("reverse_ignored", 2),),
        ("reversal", "direction", "one-direction"),
        ("success", "time-to-reverse-speed", "time-to-standstill", "not reached within"),
    ),
    Defect(
        "reversal-lingers",
        "With back-EMF sensing the windings stay shorted for a second before the new start.",
        (Seed("short_time", 1.0),),
        ("reversal", "one-sensing"),
        ("dwell", "time-to-reverse-speed"),
    ),
    Defect(
        "stop-ignored-at-speed",
        "Above 3000 rpm a stop command is acknowledged and ignored.",
        (Seed("stop_deaf_above", 3000.0),),
        ("stop", "one-corner"),
        ("stop-time", "state idle not reached"),
    ),
    Defect(
        "stop-switches-off",
        "A stop switches all gates off instead of slowing the pump down along its ramp.",
        (Seed("stop_coasts", 1),),
        ("stop",),
        ("stop-time", "shaft turned"),
    ),
)

CONTROL = (*START, *TIMING, *REGULATION, *REVERSAL_AND_STOP)
