"""Defects of limits, faults, their latching, and what follows them."""

from __future__ import annotations

from hil.core.drive import Fault
from hil.twin.defects.kinds import Defect, Seed

CURRENT = (
    Defect(
        "over-current-trip-too-high",
        "The over-current trip sees half the current, so that a jam is switched off late.",
        (Seed("trip_scale", 0.5),),
        ("over-current", "scaling", "one-corner"),
        ("trip-time-from-brake", "time-to-fault", "tripped", "fault-named"),
    ),
    Defect(
        "over-current-trip-too-low",
        "The over-current trip sees twice the current, so that an ordinary start trips it.",
        (Seed("trip_scale", 2.0),),
        ("over-current", "scaling"),
        ("fault-count", "tripped", "success", "over-current"),
    ),
    Defect(
        "over-current-trip-slow",
        "The over-current trip waits for 100 ms, longer than a jam lasts at full current.",
        (Seed("over_current_periods", 2000),),
        ("over-current", "one-corner"),
        ("trip-time-from-brake", "time-to-fault"),
    ),
    Defect(
        "overload-endured",
        "A lasting current above the continuous one is never switched off.",
        (Seed("i2t_budget", 1e9),),
        ("over-current", "one-corner", "long-run"),
        ("expected fault over-current", "fault-count"),
    ),
    Defect(
        "stall-not-noticed",
        "A blocked rotor is left to the overload protection, more than twice as late.",
        (Seed("fault_mask", int(Fault.STALL)),),
        ("stall",),
        ("trip-time-from-brake", "trip-time-from-standstill", "tripped", "fault-named"),
    ),
    Defect(
        "stall-noticed-late",
        "A blocked rotor is noticed after 450 ms instead of 150 ms.",
        (Seed("stall_time", 0.45), Seed("missed_crossings", 10_000)),
        ("stall",),
        ("trip-time-from-brake", "trip-time-from-standstill"),
    ),
    Defect(
        "stall-watch-nervous",
        "A rotor that needs more than 8 ms for its first sector counts as blocked.",
        (Seed("stall_time_any", 0.008),),
        ("stall", "start"),
        ("fault-count", "success", "stall"),
    ),
    Defect(
        "second-block-not-noticed",
        "After the first trip neither over-current nor a blocked rotor is watched any more.",
        (Seed("blind_after_trip", 1),),
        ("stall", "over-current", "latching", "after-fault"),
        ("expected fault", "fault-count"),
    ),
)

LATCH = (
    Defect(
        "fault-not-latched",
        "A fault clears itself as soon as its cause is gone.",
        (Seed("latching", 0),),
        ("latching",),
        ("latched", "restarts", "expected fault", "was obeyed", "refusals"),
    ),
    Defect(
        "clear-starts-the-motor",
        "Clearing a fault starts the motor again with the old set point.",
        (Seed("restarting", 1),),
        ("restart", "after-fault"),
        ("recovered", "shaft turned", "state idle not reached", "restarts", "idle-after-clear"),
    ),
    Defect(
        "start-clears-a-fault",
        "A start command clears a latched fault by itself.",
        (Seed("start_in_fault", 1),),
        ("latching", "restart", "after-fault"),
        ("was obeyed", "refusals", "restarts", "latched"),
    ),
    Defect(
        "stop-clears-a-fault",
        "A stop command clears a latched fault by itself.",
        (Seed("stop_clears", 1),),
        ("latching", "after-fault"),
        ("cleared-by-stop", "restarts"),
    ),
    Defect(
        "set-point-starts-after-a-fault",
        "A set point that is sent again after a fault clears it and starts the motor.",
        (Seed("speed_restarts", 1),),
        ("latching", "restart", "after-fault"),
        ("latched", "restarts"),
    ),
    Defect(
        "clear-while-too-hot",
        "A clear is obeyed while the power stage is still too hot.",
        (Seed("clear_unchecked", 1),),
        ("latching", "temperature", "after-fault"),
        ("was obeyed", "refusals"),
    ),
)

SUPPLY = (
    Defect(
        "under-voltage-not-noticed",
        "The drive goes on turning however low the supply is.",
        (Seed("fault_mask", int(Fault.UNDER_VOLTAGE)),),
        ("supply",),
        ("expected fault under-voltage", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "under-voltage-limit-too-low",
        "The under-voltage limit is 11 V, where the gate drivers have given up before.",
        (Seed("under_voltage", 11.0),),
        ("supply",),
        ("expected fault under-voltage", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "under-voltage-limit-too-high",
        "The under-voltage limit is 20.2 V, so that the pump does not start on a 20 V supply.",
        (Seed("under_voltage", 20.2),),
        ("supply", "one-corner"),
        ("success", "fault-count", "under-voltage"),
    ),
    Defect(
        "over-voltage-not-noticed",
        "The drive goes on turning however high the supply is.",
        (Seed("fault_mask", int(Fault.OVER_VOLTAGE)),),
        ("supply",),
        ("expected fault over-voltage", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "over-voltage-limit-too-low",
        "The over-voltage limit is 27.5 V, so that the pump does not run on a 28 V supply.",
        (Seed("over_voltage", 27.5),),
        ("supply", "one-corner"),
        ("success", "fault-count", "over-voltage", "not idle"),
    ),
)

HEAT_AND_REST = (
    Defect(
        "over-temperature-not-noticed",
        "The drive goes on turning however hot its power stage is.",
        (Seed("fault_mask", int(Fault.OVER_TEMPERATURE)),),
        ("temperature",),
        ("expected fault over-temperature", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "over-temperature-limit-too-high",
        "The power stage is switched off at 110 degC instead of 85 degC.",
        (Seed("over_temperature", 110.0),),
        ("temperature",),
        ("expected fault over-temperature", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "over-temperature-limit-too-low",
        "The power stage is switched off at 72 degC instead of 85 degC.",
        (Seed("over_temperature", 72.0),),
        ("temperature", "one-corner"),
        ("tripped", "fault-count"),
    ),
    Defect(
        "derates-too-late",
        "The current limit begins to fall at 72 degC instead of 65 degC.",
        (Seed("derate_start", 72.0),),
        ("temperature", "one-corner"),
        ("derating-start",),
    ),
    Defect(
        "not-derated",
        "The drive gives its full current until it is switched off as too hot.",
        (Seed("derate_start", 100.0), Seed("derate_end", 110.0)),
        ("temperature", "one-corner"),
        ("derating-start", "derating-end", "current-when-hot"),
    ),
    Defect(
        "open-sensor-read-as-cold",
        "An open temperature sensor is taken for a very cold power stage, and the drive runs on.",
        (Seed("coldest", -273.0),),
        ("temperature", "one-corner"),
        ("expected fault over-temperature",),
    ),
    Defect(
        "sensor-forgotten-after-a-clear",
        "Once a fault was cleared an open temperature sensor is not noticed any more.",
        (Seed("sensor_forgotten", 1),),
        ("temperature", "after-fault"),
        ("expected fault over-temperature", "fault-count"),
    ),
    Defect(
        "hall-wire-not-watched",
        "Illegal Hall codes are never reported.",
        (Seed("fault_mask", int(Fault.HALL)),),
        ("hall-table", "one-corner"),
        ("expected fault hall", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "hall-glitch-trips",
        "The first illegal Hall code counts as a broken wire.",
        (Seed("hall_trouble", 4),),
        ("hall-table", "one-corner"),
        ("tripped", "fault-count", "hall"),
    ),
    Defect(
        "lost-link-told-but-driven-on",
        "A lost link is reported in time, and the gates are switched off a second later.",
        (Seed("off_late", 1.0),),
        ("link", "one-corner"),
        ("time-to-still",),
    ),
    Defect(
        "lost-link-endured",
        "The pump goes on turning when the host has gone silent.",
        (Seed("fault_mask", int(Fault.LINK_LOST)),),
        ("link",),
        ("expected fault link-lost", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "lost-link-noticed-late",
        "A silent host is noticed after 4 s instead of 2 s.",
        (Seed("link_timeout", 4.0),),
        ("link",),
        ("expected fault link-lost", "fault-count", "tripped", "fault-named"),
    ),
    Defect(
        "lost-link-noticed-a-little-late",
        "A silent host is noticed after 2.6 s instead of 2 s.",
        (Seed("link_timeout", 2.6),),
        ("link", "one-corner"),
        ("time-to-fault", "time-to-still"),
    ),
    Defect(
        "lost-link-impatient",
        "Half a second without a command already counts as a lost link.",
        (Seed("link_timeout", 0.45),),
        ("link",),
        ("link-lost", "fault-count", "success", "tripped", "latched"),
    ),
    Defect(
        "speed-not-checked",
        "Any speed is accepted, however slow or fast.",
        (Seed("check_range", 0),),
        ("limits",),
        ("was obeyed", "refusals"),
    ),
    Defect(
        "slowest-speed-not-checked",
        "Speeds below the slowest that the drive can hold are accepted.",
        (Seed("min_speed", 0.0),),
        ("limits", "one-corner"),
        ("was obeyed", "refusals"),
    ),
    Defect(
        "fastest-speed-refused",
        "Set points above 3600 rpm are refused although 4000 rpm are promised.",
        (Seed("max_speed", 3600.0),),
        ("limits", "one-corner"),
        ("refused",),
    ),
    Defect(
        "sensing-changed-while-turning",
        "The sensing method can be changed while the motor turns.",
        (Seed("sense_turning", 1),),
        ("limits",),
        ("was obeyed", "refusals"),
    ),
    Defect(
        "starts-after-power-up",
        "Three seconds after power-up a drive that nobody has started starts by itself.",
        (Seed("wake_after", 3.0),),
        ("reset", "restart", "uptime", "one-corner"),
        ("shaft turned", "shaft moved", "peak-current"),
    ),
    Defect(
        "restarts-under-load",
        "The program starts anew when the motor current exceeds 3 A, and the motor coasts.",
        (Seed("reset_above", 3.0),),
        ("reset", "one-corner"),
        (
            "board-resets",
            "speed-dip",
            "tripped",
            "not reached within",
            "state fault not",
            "expected fault",
        ),
    ),
)

PROTECTION = (*CURRENT, *LATCH, *SUPPLY, *HEAT_AND_REST)
