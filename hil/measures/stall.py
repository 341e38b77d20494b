"""A stall: the shaft is held while the drive pushes; its partner must ride through."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hil.core.budget import RESOLUTION, Budget, clock
from hil.core.drive import Fault
from hil.core.measure import Outcome
from hil.measures import latch, steady, waveform
from hil.measures.extreme import largest_of_even
from hil.measures.peaks import peak_current_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, defines, flag
from hil.measures.trip import STANDSTILL, braked, expected_trip, hold, maybe_trip, speed_before
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

BEFORE = 0.2  # s before the brake, averaged for the level before
NAMED = int(Fault.OVER_CURRENT | Fault.STALL)


@defines(
    "tripped",
    "1",
    """1 if the reported state became fault between mark `brake-on` and the first of the marks
    `clear`, `restart`, `stop` or the end of the trace; else 0.""",
    source=COMMON,
    channels=("reported.state",),
)
def tripped(view: View) -> Estimate:
    """Whether the drive tripped; see its definition."""
    return flag(view.once(maybe_trip) is not None)


@defines(
    "trip-time-from-brake",
    "s",
    """Time from mark `brake-on` to the change of the reported state to fault, which lies in the
    middle between two telemetry frames (rectangular distribution of their distance).""",
    source=COMMON,
    channels=("reported.state",),
)
def trip_time_from_brake(view: View) -> Estimate:
    """Trip time counted from the brake; see its definition."""
    trip, brake = view.once(expected_trip), view.mark("brake-on")
    budget = trip.budget + clock(brake.uncertainty)
    return Estimate(trip.t - brake.t, budget, trip.resolution)


@defines(
    "trip-time-from-standstill",
    "s",
    f"""Time from the standstill of the shaft after mark `brake-on` to the change of the
    reported state to fault. Standstill: the first instant at which |speed| is below
    {STANDSTILL:g} % of the speed before, but at least three resolutions of the tachometer
    (interpolated, no filter); with the shaft held before the start command, the command.
    Negative if the drive tripped before the shaft stood.""",
    source=COMMON,
    channels=("witness.speed", "reported.state"),
)
def trip_time_from_standstill(view: View) -> Estimate:
    """Trip time counted from standstill; see its definition."""
    trip = view.once(expected_trip)
    start, end = hold(view)
    part = view.speed.window(start, end, 2)
    threshold = max(STANDSTILL / 100.0 * speed_before(view), 3.0 * part.accuracy.resolution)
    onset = start + waveform.first_entry(part.t, part.y, 0.0, threshold, start)
    began = part.crossing(onset)
    command = view.trace.mark("command")
    if command is not None and start < command.t < trip.t and command.t > onset:
        onset, began = command.t, clock(command.uncertainty)
    return Estimate(
        trip.t - onset,
        trip.budget + began,
        max(trip.resolution, part.interval),
        part.note,
    )


@defines(
    "let-through",
    "A^2*s",
    """Integral of the squared motor current from mark `brake-on` to the trip, without a trip to the
    release of the brake or the end of the window. Reported (filtered) current, linear between
    samples; ripple above the board's filter is not in it. Uncertainty: current accuracy, and the
    instant of the trip times the squared current there.""",
    source="definition of the Joule integral; window: " + COMMON,
    channels=("reported.current", "reported.state"),
)
def let_through(view: View) -> Estimate:
    """Joule integral up to the trip; see its definition."""
    trip = view.once(maybe_trip)
    start, end = braked(view)
    brake = view.mark("brake-on")
    ended, resolution = Budget(), 0.0
    if trip is not None:
        end, ended, resolution = trip.t, trip.budget, trip.resolution
    current = view.signal("reported.current")
    part = current.window(start, max(end, start + current.interval), 1)
    value = waveform.integral_of_square(part.t, part.y, start, end)
    first, last = (float(i) for i in np.interp([start, end], part.t, part.y))
    rms = float(np.sqrt(value / (end - start))) if end > start else 0.0
    by_current = 2.0 * rms * (end - start) * part.mean_level(rms, end - start)
    by_time = last**2 * ended + first**2 * clock(brake.uncertainty)
    return Estimate(value, by_current + by_time, last**2 * resolution)


@defines(
    "fault-named",
    "1",
    """1 if the fault bit over-current or stall was reported between mark `brake-on` and the
    first of the marks `clear`, `restart`, `stop` or the end of the trace; else 0.""",
    source=COMMON,
    channels=("reported.fault",),
)
def fault_named(view: View) -> Estimate:
    """Whether the fault was called by its name; see its definition."""
    part = view.signal("reported.fault").cut(*hold(view))
    bits = int(np.bitwise_or.reduce(np.maximum(np.rint(part.y), 0.0).astype(np.int64)))
    if bits & NAMED:
        return flag(True)
    view.signal("reported.fault").window(*hold(view), 1)
    others = Fault(bits & sum(Fault)).words if bits else ()
    return flag(False, f"reported instead: {', '.join(others) or 'other'}" if bits else "")


@defines(
    "speed-dip",
    "%",
    f"""How far the shaft speed falls below its level before, while the brake is on, in % of that
    level: the mean of the {BEFORE:g} s before mark `brake-on`. Window: mark `brake-on` to
    `brake-off`, or the end. Filter: moving mean of {1e3 * steady.RIPPLE_FILTER:g} ms. Only where no
    trip is expected.""",
    source=COMMON,
    channels=("witness.speed",),
)
def speed_dip(view: View) -> Estimate:
    """Loss of speed under a load that must not trip; see its definition."""
    if view.conditions.trip_expected:
        detail = "a trip is expected: the shaft is meant to stop"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    start, end = braked(view)
    level = steady.level_of(view.speed.window(start - BEFORE, start, 3))
    if level.value <= 0.1 * speed_before(view):
        detail = f"the shaft turned at {level.value:.4g} rpm before the brake"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    part = view.speed.window(start, end, 3)
    # The speed sags once and comes back: there are not many crests to pick from.
    lowest, rounded = largest_of_even(-part, steady.RIPPLE_FILTER)
    factor = 100.0 / level.value
    before = level.budget.of(RESOLUTION)
    return Estimate(
        max(0.0, factor * (level.value + lowest)),
        factor * (rounded + part.offsets() + before),
        factor * part.accuracy.resolution,
        part.note,
    )


_RECIPES: tuple[Recipe, ...] = (
    tripped,
    trip_time_from_brake,
    trip_time_from_standstill,
    peak_current_recipe(
        hold, "from mark `brake-on` to the first of `clear`, `restart`, `stop` or the end"
    ),
    let_through,
    fault_named,
    latch.latched,
    latch.restarts,
    latch.recovered,
    speed_dip,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
