"""When a drive trips, and in which windows a stall is judged."""

from __future__ import annotations

import numpy as np

from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import Mark
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import Event, View

STANDSTILL = 2.0  # % of the speed before
#: Marks of what may bring a drive into a fault.
CAUSES = ("line-opened", "brake-on", "silence", "dip", "supply-set", "glitch")


def speed_before(view: View) -> float:
    """Magnitude of the commanded speed at which the brake, or other trouble, came, rpm."""
    return abs(view.conditions.entry) or abs(view.conditions.target)


def cause(view: View) -> Mark:
    """What is to bring the fault: the brake, or of a protection the first of `CAUSES`."""
    if not view.conditions.faults:
        return view.mark("brake-on")
    found = [mark for mark in view.trace.marks if mark.name in CAUSES]
    if not found:
        detail = f"nothing was done that may bring the drive into a fault ({', '.join(CAUSES)})"
        raise Unmeasurable(Outcome.MISSING_DATA, detail)
    return found[0]


def hold(view: View) -> tuple[float, float]:
    """From the cause until the fault is cleared, or the trace stopped or ended."""
    start = cause(view).t
    return start, view.until(start, ("clear", "restart", "stop"))


def braked(view: View) -> tuple[float, float]:
    """From brake-on to brake-off, or to what ends the hold."""
    start, end = hold(view)
    return start, min(end, view.until(start, ("brake-off",)))


def maybe_trip(view: View) -> Event | None:
    """The first change into the state fault after its cause, or None if there was none.

    Raises
    ------
    Unmeasurable
        NOT_APPLICABLE if the drive was in fault before; MISSING_DATA (see `View.entry_to`).
    """
    start, end = hold(view)
    states = view.signal("reported.state")
    before = states.cut(0.0, start)
    if before.y.size and int(np.rint(before.y[-1])) == DriveState.FAULT:
        by = "the brake was applied" if not view.conditions.faults else "anything was done to it"
        detail = f"the drive was in the state fault before {by}"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return view.entry_to(DriveState.FAULT, start, end)


def expected_trip(view: View) -> Event:
    """The trip; without one NEVER_REACHED, or NOT_APPLICABLE where none was expected."""
    found = view.once(maybe_trip)
    if found is not None:
        return found
    if not view.conditions.trip_expected:
        detail = "no trip was expected under these conditions, and there was none"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    raise Unmeasurable(Outcome.NEVER_REACHED, "the drive did not trip")
