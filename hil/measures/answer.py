"""How soon a drive answers: a start by turning, trouble by a fault and by standing still."""

from __future__ import annotations

import numpy as np

from hil.core.budget import SAMPLING, clock, rectangular
from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import Mark
from hil.measures import waveform
from hil.measures.recipe import COMMON, Estimate, defines
from hil.measures.trip import CAUSES
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View, Window

MOVING = 2.0  # % of the target speed: turning
STILL = 5.0  # % of the speed at the mark: as good as standing
SMOOTHING = 0.005  # s
BEFORE_DIP = 0.05  # s
_NAMED = ", ".join(f"`{name}`" for name in CAUSES)
#: What ends the time in which a shaft must have come to rest of itself.
_ENDS = (*CAUSES, "command", "set-point", "reverse", "restart", "clear", "stop")
_START = Window("command")


@defines(
    "time-to-motion",
    "s",
    f"""Time from mark `command` to the first instant (interpolated) at which the shaft, either way,
    is faster than {MOVING:g} % of the target speed, and than three resolutions of the tachometer.
    No filter. {_START.text}""",
    source=COMMON,
    channels=("witness.speed",),
)
def time_to_motion(view: View) -> Estimate:
    """From the command until the shaft moves; see its definition."""
    start, end = _START.of(view)
    onset, part = view.mark("command"), view.speed.window(start, end, 2)
    least = 3.0 * part.accuracy.resolution
    threshold = max(MOVING / 100.0 * abs(view.conditions.target), least)
    size = np.abs(part.y)
    if size[0] > threshold:
        detail = f"the shaft turned at {size[0]:.4g} rpm when the command was sent"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    found = waveform.crossings(part.t, size, threshold, waveform.Polarity.RISING)
    if not found.size:
        detail = f"the shaft never turned faster than {threshold:.4g} rpm"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    at = float(found[0])
    budget = part.crossing(at) + clock(onset.uncertainty)
    return Estimate(at - onset.t, budget, part.interval, part.note)


def _causes(view: View) -> list[Mark]:
    found = [mark for mark in view.trace.marks if mark.name in CAUSES]
    if not found:
        detail = f"nothing was done that may bring the drive into a fault ({', '.join(CAUSES)})"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return found


@defines(
    "dip-edge",
    "V/s",
    f"""How steeply the DC link falls in the first dip: 80 % of its way from the level before over
    the time from the last instant (interpolated) before the lowest voltage at which it is above
    90 % of the way to the first one at which it is below 10 %. Level before: time mean of the
    reported voltage over {1e3 * BEFORE_DIP:g} ms before mark `dip`; lowest: the least reported
    voltage up to the next mark, or the end. No filter beyond the board's own.""",
    source="transition duration of IEEE Std 181-2011 (cited from memory); windows: " + COMMON,
    channels=("reported.voltage",),
)
def dip_edge(view: View) -> Estimate:
    """Steepness of a dip of the supply; see its definition."""
    mark = view.trace.mark("dip")
    if mark is None:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the supply was not lowered for a while")
    later = [one.t for one in view.trace.marks if one.t > mark.t]
    volts = view.signal("reported.voltage")
    rest = volts.window(mark.t - BEFORE_DIP, mark.t, 3)
    part = volts.window(mark.t, min([*later, view.end]), 3)
    level = waveform.mean(rest.t, rest.y)
    bottom = int(np.argmin(part.y))
    depth = level - float(part.y[bottom])
    if depth <= 5.0 * max(part.accuracy.resolution, 1e-3):
        raise Unmeasurable(Outcome.NEVER_REACHED, f"the DC link fell by {depth:.3g} V")
    t, way = part.t[: bottom + 1], (level - part.y[: bottom + 1]) / depth
    above = int(np.flatnonzero(way < 0.1)[-1]) if np.any(way < 0.1) else 0
    below = int(np.flatnonzero(way > 0.9)[0])
    if below <= above:
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, "the DC link fell within one frame")
    first = float(np.interp(0.1, way[above : above + 2], t[above : above + 2]))
    last = float(np.interp(0.9, way[below - 1 : below + 1], t[below - 1 : below + 1]))
    lasts = last - first
    if lasts <= 2.0 * part.interval:
        detail = f"{1e3 * lasts:.3g} ms are too short for frames {1e3 * part.interval:.3g} ms apart"
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, detail)
    value = 0.8 * depth / lasts
    # The gain of the voltage and the shift of the clock are common to both ends.
    by_time = rectangular(SAMPLING, part.interval / 2.0) * (2.0**0.5 * value / lasts)
    by_level = (part.rounding() + part.limits(depth)) * (0.8 / lasts)
    return Estimate(value, by_time + by_level, 0.0)


@defines(
    "time-to-fault",
    "s",
    f"""Time from what brought the drive into a fault to the first change of the reported state to
    fault after the first of the marks {_NAMED}. What brought it there is the last of these marks
    before the change, which lies in the middle between two telemetry frames (rectangular
    distribution of their distance). Whether the fault was called by its right name is not in
    it.""",
    source=COMMON,
    channels=("reported.state",),
)
def time_to_fault(view: View) -> Estimate:
    """From the cause of a fault to the fault; see its definition."""
    causes = view.once(_causes)
    trip = view.entry_to(DriveState.FAULT, causes[0].t, view.end)
    if trip is None:
        raise Unmeasurable(Outcome.NEVER_REACHED, "the drive never went into a fault")
    cause = [mark for mark in causes if mark.t <= trip.t][-1]
    detail = f"after {cause.name} {cause.detail}".rstrip()
    return Estimate(
        trip.t - cause.t, trip.budget + clock(cause.uncertainty), trip.resolution, detail
    )


@defines(
    "time-to-still",
    "s",
    f"""Time from the first of the marks {_NAMED} after which the shaft comes to rest of itself, to
    the first instant (interpolated) from which on its speed stays below {STILL:g} % of that at the
    mark (at least three resolutions of the tachometer) up to the next of these marks or of
    `command`, `set-point`, `reverse`, `restart`, `clear`, `stop`, or the end of the trace.
    Filter: moving mean of {1e3 * SMOOTHING:g} ms. Not applicable if the shaft stood at all of
    these marks.""",
    source=COMMON,
    channels=("witness.speed",),
)
def time_to_still(view: View) -> Estimate:
    """From what went wrong until the shaft stands; see its definition."""
    turned = False
    for mark in view.once(_causes):
        part = view.speed.window(mark.t, view.until(mark.t, _ENDS), 1)
        least = 3.0 * part.accuracy.resolution
        before = abs(float(np.interp(mark.t, view.speed.t, view.speed.y)))
        if before <= least or part.t.size < 2:
            continue
        turned = True
        threshold = max(STILL / 100.0 * before, least)
        y = np.abs(waveform.moving_mean(part.t, part.y, SMOOTHING))
        turning = np.flatnonzero(y > threshold)
        if not turning.size or turning[-1] == y.size - 1:
            continue
        i = int(turning[-1])
        at = float(np.interp(-threshold, -y[i : i + 2], part.t[i : i + 2]))
        budget = part.crossing(at, SMOOTHING) + clock(mark.uncertainty)
        detail = f"after {mark.name} {mark.detail}".rstrip()
        note = f"{detail}; {part.note}" if part.note else detail
        return Estimate(at - mark.t, budget, part.interval, note)
    if not turned:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the shaft stood whatever was done")
    raise Unmeasurable(Outcome.NEVER_REACHED, "the shaft never came to rest of itself")
