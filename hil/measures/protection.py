"""A protection: what brings a fault, whether it stays, what ends it, and what moves meanwhile."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hil.core.drive import DriveState, Fault
from hil.core.measure import Outcome
from hil.measures import answer, latch, sweep, waveform
from hil.measures.approach import SMOOTHING
from hil.measures.latch import BEFORE_CLEAR
from hil.measures.peaks import fault_count, peak_current_recipe, peak_dc_link_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, defines, flag
from hil.measures.steps import peak_temperature
from hil.measures.trip import CAUSES, expected_trip, hold, maybe_trip, speed_before
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

STILL = 5.0  # % of the speed before: as good as standing
_NAMED = ", ".join(f"`{name}`" for name in CAUSES)


@defines(
    "tripped",
    "1",
    f"""1 if the reported state became fault between the first of the marks {_NAMED} and the first
    later one of `clear`, `restart`, `stop`, or the end of the trace; else 0.""",
    source=COMMON,
    channels=("reported.state",),
)
def tripped(view: View) -> Estimate:
    """Whether the drive tripped; see its definition."""
    found = view.once(maybe_trip)
    return flag(found is not None, view.fault_named(*hold(view)) if found is not None else "")


@defines(
    "fault-named",
    "1",
    f"""1 if a fault that was expected was reported between the first of the marks {_NAMED} and the
    first later one of `clear`, `restart`, `stop`, or the end of the trace, and no other one
    before it; else 0.""",
    source=COMMON,
    channels=("reported.fault",),
)
def fault_named(view: View) -> Estimate:
    """Whether the fault was called by its name; see its definition."""
    part = view.signal("reported.fault").cut(*hold(view))
    bits = np.maximum(np.rint(part.y), 0.0).astype(np.int64)
    told = bits[bits != 0]
    if told.size and int(told[0]) & view.conditions.faults:
        return flag(True)
    view.signal("reported.fault").window(*hold(view), 1)
    named = Fault(int(told[0]) & sum(Fault)).words if told.size else ()
    return flag(False, f"reported first: {', '.join(named) or 'other'}" if told.size else "")


@defines(
    "latched",
    "1",
    f"""1 if every reported state from the trip to {1e3 * BEFORE_CLEAR:g} ms before mark `stop` (or
    `clear`, `restart`, or up to the end of the trace) is fault, while what brought it there has
    gone and the old set point was sent again; else 0.""",
    source=COMMON,
    channels=("reported.state",),
)
def latched(view: View) -> Estimate:
    """Whether the fault stayed while the old command stood; see its definition."""
    trip = view.once(expected_trip)
    return _stayed(view, trip.t, view.until(trip.t, ("stop", "clear", "restart")))


def _stayed(view: View, start: float, end: float) -> Estimate:
    end = max(start, end - (BEFORE_CLEAR if end < view.end else 0.0))
    part = view.signal("reported.state").cut(start, end)
    left = part.t[np.rint(part.y) != DriveState.FAULT]
    if left.size:
        return flag(False, f"left the state fault at {left[0]:.4g} s")
    view.signal("reported.state").window(start, end, 1)
    return flag(True)


@defines(
    "hold-off",
    "s",
    """Time from the trip until the drive first left the state fault by itself, before mark `stop`
    (or `clear`, `restart`, or the end of the trace): how long it waits before it tries again.
    The change lies in the middle between two telemetry frames. Not applicable if it stayed.""",
    source=COMMON,
    channels=("reported.state",),
)
def hold_off(view: View) -> Estimate:
    """How long a drive waits before it tries again; see its definition."""
    trip = view.once(expected_trip)
    end = view.until(trip.t, ("stop", "clear", "restart"))
    part = view.signal("reported.state").window(trip.t, end, 1)
    left = np.flatnonzero(np.rint(part.y) != DriveState.FAULT)
    if not left.size:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "it stayed in fault")
    first = int(left[0])
    at = float(part.t[first] + part.t[max(first - 1, 0)]) / 2.0
    return Estimate(at - trip.t, trip.budget + trip.budget, trip.resolution)


@defines(
    "cleared-by-stop",
    "1",
    f"""1 if the reported state left fault between mark `stop` and {1e3 * BEFORE_CLEAR:g} ms before
    mark `clear` (or `restart`, or up to the end of the trace); else 0. Not applicable if it had
    left it before.""",
    source=COMMON,
    channels=("reported.state",),
)
def cleared_by_stop(view: View) -> Estimate:
    """Whether a set point of zero ends the fault; see its definition."""
    if not view.once(latched.compute).value:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the drive had left the state fault before")
    stop = view.mark("stop").t
    stayed = _stayed(view, stop, view.until(stop, ("clear", "restart")))
    return flag(not stayed.value, stayed.detail)


@defines(
    "idle-after-clear",
    "1",
    f"""1 if between mark `clear` and mark `restart` the shaft stays below {STILL:g} % of the speed
    before (at least three resolutions of the tachometer), and the last reported state before
    `restart` is idle; else 0. Filter for the speed: moving mean of {1e3 * SMOOTHING:g} ms.""",
    source=COMMON,
    channels=("reported.state", "witness.speed"),
)
def idle_after_clear(view: View) -> Estimate:
    """Whether a clear does no more than clear; see its definition."""
    view.once(expected_trip)
    start = view.mark("clear").t
    end = view.mark("restart").t
    speed = view.speed.window(start, end, 1)
    y = np.abs(waveform.moving_mean(speed.t, speed.y, SMOOTHING))
    least = max(STILL / 100.0 * speed_before(view), 3.0 * speed.accuracy.resolution)
    if float(np.max(y)) > least:
        return flag(False, f"the shaft turned at {float(np.max(y)):.4g} rpm")
    states = view.signal("reported.state").window(start, end, 1)
    last = DriveState(int(np.rint(states.y[-1])))
    return flag(last is DriveState.IDLE, f"state {last.word}")


_WORDS = "over the whole trace"
_RECIPES: tuple[Recipe, ...] = (
    tripped,
    fault_named,
    answer.time_to_fault,
    answer.time_to_still,
    answer.dip_edge,
    latched,
    hold_off,
    latch.restarts,
    cleared_by_stop,
    idle_after_clear,
    latch.recovered,
    sweep.refusals,
    fault_count,
    peak_current_recipe(None, _WORDS),
    peak_dc_link_recipe(None, _WORDS),
    peak_temperature,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
