"""Defects of what the firmware tells its host: the motor does well, the numbers do not."""

from __future__ import annotations

from hil.core.drive import Fault
from hil.twin.defects.kinds import Defect, Seed

NUMBERS = (
    Defect(
        "reported-speed-2-percent-high",
        "The reported speed is 2 % too high, less than one reading allows to tell.",
        (Seed("report_speed_scale", 1.02),),
        ("scaling", "telemetry", "witness-only", "by-chance"),
        ("reported-speed-slope", "speed-disagreement"),
    ),
    Defect(
        "reported-speed-25-rpm-high",
        "25 rpm are added to the reported speed, clockwise positive.",
        (Seed("report_offset", 25.0),),
        ("scaling", "telemetry", "witness-only", "one-corner"),
        ("reported-speed-offset", "speed-disagreement"),
    ),
    Defect(
        "reported-direction-lost",
        "The reported speed has no sign.",
        (Seed("report_unsigned", 1),),
        ("telemetry", "direction", "one-direction"),
        ("direction-agreement", "speed-disagreement", "turns the other way"),
    ),
    Defect(
        "reported-current-halved",
        "The reported current is half of what flows; peak and protection are right.",
        (Seed("report_current_scale", 0.5),),
        ("scaling", "telemetry", "witness-only"),
        ("current-disagreement",),
    ),
    Defect(
        "reported-peak-too-low",
        "The reported peak current is 30 % too low.",
        (Seed("report_peak_scale", 0.7),),
        ("scaling", "telemetry", "one-corner"),
        ("peak-current",),
    ),
    Defect(
        "reported-voltage-low",
        "The reported DC-link voltage is 5 % too low; the limits act on the right one.",
        (Seed("report_voltage_scale", 0.95),),
        ("scaling", "telemetry", "supply", "witness-only"),
        ("voltage-disagreement",),
    ),
    Defect(
        "reported-temperature-low",
        "The reported temperature of the power stage is 15 K too low.",
        (Seed("report_temperature_offset", -15.0),),
        ("temperature", "telemetry", "one-corner"),
        ("peak-temperature", "reported-temperature-offset"),
    ),
    Defect(
        "reported-speed-late",
        "The reported speed follows the true one half a second late.",
        (Seed("report_share", 0.002),),
        ("telemetry", "witness-only"),
        ("speed-disagreement", "the firmware reports"),
    ),
    Defect(
        "fault-without-a-name",
        "The fault state is entered, but over-current and stall are not named.",
        (Seed("report_fault_mask", int(Fault.OVER_CURRENT | Fault.STALL)),),
        ("telemetry", "stall", "over-current"),
        ("fault-named", "expected fault"),
    ),
)

FRAMES = (
    Defect(
        "telemetry-frames-dropped",
        "Every twentieth telemetry frame is not sent.",
        (Seed("drop_every", 20),),
        ("telemetry",),
        ("telemetry-loss",),
    ),
    Defect(
        "telemetry-checksum-wrong",
        "Every thirtieth telemetry frame carries a wrong checksum.",
        (Seed("corrupt_every", 30),),
        ("telemetry",),
        ("telemetry-loss",),
    ),
    Defect(
        "telemetry-sequence-stands-still",
        "The sequence number of the telemetry stands still, so that a loss could not be seen.",
        (Seed("count_frames", 0),),
        ("telemetry",),
        ("telemetry-repeats",),
    ),
    Defect(
        "telemetry-frozen-after-6-s",
        "Six seconds after power-up reported speed and current stand still.",
        (Seed("report_frozen", 6.0),),
        ("telemetry", "uptime", "long-run", "witness-only"),
        ("speed-disagreement", "current-disagreement", "the firmware reports"),
    ),
    Defect(
        "telemetry-rate-low",
        "Telemetry comes 10 % less often than promised.",
        (Seed("stream_scale", 1.1),),
        ("telemetry",),
        ("telemetry-rate-error",),
    ),
    Defect(
        "telemetry-reports-standstill-now-and-then",
        "One frame in a thousand reports a standing rotor.",
        (Seed("report_glitch", 0.001),),
        ("telemetry", "intermittent", "by-chance", "witness-only"),
        ("speed-disagreement", "the firmware reports"),
    ),
)

UPTIME = (
    Defect(
        "speed-drifts-with-uptime",
        "The shaft runs 0.1 % faster with every second of uptime while the report is on target.",
        (Seed("drift", 0.001),),
        ("uptime", "scaling", "long-run", "witness-only"),
        ("final-speed-error", "speed-disagreement", "largest-speed-error"),
    ),
    Defect(
        "reported-current-drifts-with-uptime",
        "The reported current rises by 40 mA with every second of uptime.",
        (Seed("report_drift", 0.04),),
        ("uptime", "scaling", "telemetry", "long-run", "witness-only"),
        ("current-disagreement",),
    ),
    Defect(
        "switches-off-after-20-s",
        "A counter overflows after 20 s of uptime and the drive stops by itself.",
        (Seed("quit_after", 20.0),),
        ("uptime", "reset", "long-run"),
        ("stopped by itself", "final-speed-error", "ripple"),
    ),
)

TELLING = (*NUMBERS, *FRAMES, *UPTIME)
