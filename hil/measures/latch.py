"""After a trip: whether the fault stays, the shaft stays, and a clear brings the drive back."""

from __future__ import annotations

import numpy as np

from hil.core.drive import DriveState
from hil.measures import approach as to
from hil.measures import waveform
from hil.measures.recipe import COMMON, Estimate, defines, flag
from hil.measures.trip import STANDSTILL, expected_trip, speed_before
from hil.measures.view import View

MOVING = 5.0  # % of the speed before: turning again
BEFORE_CLEAR = 0.020  # s left out before `clear`: its mark and the telemetry travel differently


def _after_trip(view: View) -> tuple[float, float]:
    """From the trip to just before the mark that ends the latch, or to the end of the trace."""
    trip = view.once(expected_trip)
    cleared = view.until(trip.t, ("clear", "restart"))
    guard = BEFORE_CLEAR if cleared < view.end else 0.0
    return trip.t, max(trip.t, cleared - guard)


@defines(
    "latched",
    "1",
    f"""1 if every reported state from the trip to {1e3 * BEFORE_CLEAR:g} ms before mark `clear` (or
    `restart`, or up to the end of the trace) is fault; else 0.""",
    source=COMMON,
    channels=("reported.state",),
)
def latched(view: View) -> Estimate:
    """Whether the fault stayed until it was cleared; see its definition."""
    part = view.signal("reported.state").cut(*_after_trip(view))
    left = part.t[np.rint(part.y) != DriveState.FAULT]
    if left.size:
        return flag(False, f"left the state fault at {left[0]:.4g} s")
    view.signal("reported.state").window(*_after_trip(view), 1)
    return flag(True)


@defines(
    "restarts",
    "1",
    f"""How often the drive restarted by itself between the trip and {1e3 * BEFORE_CLEAR:g} ms
    before mark `clear` (or `restart`, or up to the end of the trace): the greater of the
    number of times the reported state left fault and the number of times the shaft exceeded
    {MOVING:g} % of the speed before after having been below {STANDSTILL:g} % of it. Filter for
    the speed: moving mean of {1e3 * to.SMOOTHING:g} ms.""",
    source=COMMON,
    channels=("reported.state", "witness.speed"),
)
def restarts(view: View) -> Estimate:
    """Restarts without a clear; see its definition."""
    start, end = _after_trip(view)
    states = view.signal("reported.state").window(start, end, 1)
    faulted = np.rint(states.y) == DriveState.FAULT
    left = int(np.count_nonzero(faulted[:-1] & ~faulted[1:]))
    speed = view.speed.window(start, end, 1)
    y = np.abs(waveform.moving_mean(speed.t, speed.y, to.SMOOTHING))
    least = 3.0 * speed.accuracy.resolution
    low = max(STANDSTILL / 100.0 * speed_before(view), least)
    high = max(MOVING / 100.0 * speed_before(view), 2.0 * least)
    # 1 while moving, 0 at standstill, nothing in between: count the changes from 0 to 1.
    known = (y[(y > high) | (y <= low)] > high).astype(np.int8)
    moved = int(np.count_nonzero(np.diff(known) > 0))
    return Estimate(float(max(left, moved)), detail=speed.note)


def _recovery(view: View) -> to.Approach:
    view.once(expected_trip)
    onset = view.mark("restart")
    target = abs(view.conditions.target) or abs(view.conditions.entry)
    end = view.until(onset.t)
    tolerance = view.conditions.tolerance
    return to.approach(view.speed, onset, end, base=0.0, target=target, tolerance=tolerance)


@defines(
    "recovered",
    "1",
    f"""1 if, after mark `restart`, the shaft speed is within target ± tolerance for the last
    {to.HOLD:g} s at least of the time to the next command or the end of the trace, and the reported
    state is not fault there; else 0. {to.FILTER_TEXT}.""",
    source=COMMON,
    channels=("witness.speed", "reported.state"),
)
def recovered(view: View) -> Estimate:
    """Whether the drive runs again after a clear; see its definition."""
    it = view.once(_recovery)
    missed = it.stays()
    if missed:
        return flag(False, missed)
    states = view.signal("reported.state").window(it.end - to.HOLD, it.end, 1)
    return flag(not bool(np.any(np.rint(states.y) == DriveState.FAULT)), it.raw.note)
