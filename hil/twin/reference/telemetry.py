"""When a telemetry frame is due, and what it says."""

from __future__ import annotations

from typing import Any

from hil.twin.jit import inlined
from hil.twin.reference.sequencer import chance
from hil.twin.reference.serial_cobs import send_cobs_telemetry
from hil.twin.reference.serial_lines import send_line_telemetry
from hil.twin.reference.state import LINES


@inlined
def stream(s: Any) -> None:
    """Send a frame when one is due; every period."""
    if s.stream_ticks == 0:
        return
    s.stream_phase += 1
    if s.stream_phase < s.stream_ticks:
        return
    s.stream_phase = 0
    s.frames += 1
    if s.drop_every == 0 or s.frames % s.drop_every != 0:
        fields = measure(s)
        if s.protocol == LINES:
            send_line_telemetry(s, fields)
        else:
            send_cobs_telemetry(s, fields)
    s.sequence = (s.sequence + s.count_frames) & 0xFF
    s.peak = 0.0


@inlined
def measure(s: Any) -> tuple[float, float, float, float, float, float]:
    """Speed rpm, set point rpm, filtered current A, peak current A, DC link V, stage degC."""
    speed = s.speed_seen * s.report_speed_scale * s.turn_sign + s.report_offset
    uptime = s.tick * s.period
    current = s.current_seen * s.report_current_scale + s.report_drift * uptime
    if uptime < s.report_frozen:
        s.frozen[0], s.frozen[1] = speed, current
    speed, current = s.frozen[0], s.frozen[1]
    if s.report_unsigned == 1:
        speed = abs(speed)
    if s.report_glitch > 0.0 and chance(s, s.report_glitch):
        speed = 0.0
    return (
        speed,
        s.target * s.turn_sign,
        current,
        s.peak * s.report_peak_scale,
        s.bus * s.report_voltage_scale,
        s.temperature + s.report_temperature_offset,
    )
