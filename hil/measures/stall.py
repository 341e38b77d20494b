"""A stall: the shaft is held while the drive pushes; its partner must ride through."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hil.core.drive import DriveState, Fault
from hil.core.measure import Outcome
from hil.measures import approach as to
from hil.measures import steady, waveform
from hil.measures.peaks import peak_current_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, Unmeasurable, defines, flag, quadrature
from hil.measures.view import Event, View

STANDSTILL = 2.0  # % of the speed before
MOVING = 5.0  # % of the speed before: turning again
BEFORE = 0.2  # s before the brake, averaged for the level before
BEFORE_CLEAR = 0.020  # s left out before `clear`: its mark and the telemetry travel differently
NAMED = int(Fault.OVER_CURRENT | Fault.STALL)


def _speed_before(view: View) -> float:
    return abs(view.conditions.entry) or abs(view.conditions.target)


def _hold(view: View) -> tuple[float, float]:
    """From brake-on until the fault is cleared, or the trace stopped or ended."""
    start = view.mark("brake-on").t
    return start, view.until(start, ("clear", "restart", "stop"))


def _braked(view: View) -> tuple[float, float]:
    """From brake-on to brake-off, or to what ends the hold."""
    start, end = _hold(view)
    return start, min(end, view.until(start, ("brake-off",)))


def _maybe_trip(view: View) -> Event | None:
    start, end = _hold(view)
    states = view.signal("reported.state")
    before = states.cut(0.0, start)
    if before.y.size and int(np.rint(before.y[-1])) == DriveState.FAULT:
        detail = "the drive was in the state fault before the brake was applied"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return view.entry_to(DriveState.FAULT, start, end)


def _trip(view: View) -> Event:
    found = view.once(_maybe_trip)
    if found is not None:
        return found
    if not view.conditions.trip_expected:
        detail = "no trip was expected under these conditions, and there was none"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    raise Unmeasurable(Outcome.NEVER_REACHED, "the drive did not trip")


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
    return flag(view.once(_maybe_trip) is not None)


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
    trip, brake = view.once(_trip), view.mark("brake-on")
    spread = quadrature(trip.uncertainty, brake.uncertainty)
    return Estimate(trip.t - brake.t, spread, trip.resolution)


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
    trip = view.once(_trip)
    start, end = _hold(view)
    part = view.speed.window(start, end, 2)
    threshold = max(STANDSTILL / 100.0 * _speed_before(view), 3.0 * part.accuracy.resolution)
    onset = start + waveform.first_entry(part.t, part.y, 0.0, threshold, start)
    spread = part.time_of_crossing_uncertainty(onset)
    command = view.trace.mark("command")
    if command is not None and start < command.t < trip.t and command.t > onset:
        onset, spread = command.t, command.uncertainty
    return Estimate(
        trip.t - onset,
        quadrature(trip.uncertainty, spread),
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
    trip = view.once(_maybe_trip)
    start, end = _braked(view)
    brake = view.mark("brake-on")
    spread, resolution = 0.0, 0.0
    if trip is not None:
        end, spread, resolution = trip.t, trip.uncertainty, trip.resolution
    current = view.signal("reported.current")
    part = current.window(start, max(end, start + current.interval), 1)
    value = waveform.integral_of_square(part.t, part.y, start, end)
    first, last = (float(i) for i in np.interp([start, end], part.t, part.y))
    rms = float(np.sqrt(value / (end - start))) if end > start else 0.0
    by_current = 2.0 * rms * part.level_uncertainty(rms) * (end - start)
    by_time = quadrature(last**2 * spread, first**2 * brake.uncertainty)
    return Estimate(value, quadrature(by_current, by_time), last**2 * resolution)


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
    part = view.signal("reported.fault").cut(*_hold(view))
    bits = int(np.bitwise_or.reduce(np.clip(np.rint(part.y), 0, 2**31 - 1).astype(np.int64)))
    if bits & NAMED:
        return flag(True)
    view.signal("reported.fault").window(*_hold(view), 1)
    others = Fault(bits & sum(Fault)).words if bits else ()
    return flag(False, f"reported instead: {', '.join(others) or 'other'}" if bits else "")


def _after_trip(view: View) -> tuple[float, float]:
    """From the trip to just before the mark that ends the latch, or to the end of the trace."""
    trip = view.once(_trip)
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
    low = max(STANDSTILL / 100.0 * _speed_before(view), least)
    high = max(MOVING / 100.0 * _speed_before(view), 2.0 * least)
    # 1 while moving, 0 at standstill, nothing in between: count the changes from 0 to 1.
    known = (y[(y > high) | (y <= low)] > high).astype(np.int8)
    moved = int(np.count_nonzero(np.diff(known) > 0))
    return Estimate(float(max(left, moved)), detail=speed.note)


def _recovery(view: View) -> to.Approach:
    view.once(_trip)
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
        return flag(False, f"not at speed: {missed}")
    states = view.signal("reported.state").window(it.end - to.HOLD, it.end, 1)
    return flag(not bool(np.any(np.rint(states.y) == DriveState.FAULT)), it.raw.note)


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
    start, end = _braked(view)
    level = steady.level_of(view.speed.window(start - BEFORE, start, 3))
    if level.value <= 0.1 * _speed_before(view):
        detail = f"the shaft turned at {level.value:.4g} rpm before the brake"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    part = view.speed.window(start, end, 3)
    lowest = float(np.min(waveform.moving_mean(part.t, part.y, steady.RIPPLE_FILTER)))
    factor = 100.0 / level.value
    return Estimate(
        max(0.0, factor * (level.value - lowest)),
        factor * part.difference_uncertainty,
        factor * part.accuracy.resolution,
        part.note,
    )


_RECIPES: tuple[Recipe, ...] = (
    tripped,
    trip_time_from_brake,
    trip_time_from_standstill,
    peak_current_recipe(
        _hold, "from mark `brake-on` to the first of `clear`, `restart`, `stop` or the end"
    ),
    let_through,
    fault_named,
    latched,
    restarts,
    recovered,
    speed_dip,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
