"""A start: from the command at rest to steady speed."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from hil.core.budget import CLOCK, SAMPLING, Budget, Shape, line, rectangular
from hil.core.drive import DriveState, Sensing
from hil.core.measure import Outcome
from hil.measures import answer, steady, waveform
from hil.measures import approach as to
from hil.measures.peaks import fault_count, peak_current_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import Event, View, Window

BEFORE_HANDOVER = 0.010  # s, averaged for the handover speed
AFTER_HANDOVER = 0.3  # s, searched for the dip
BEHIND = 0.5  # deg by which the shaft must have turned back to have done so


WINDOW = Window("command")


def _approach(view: View) -> to.Approach:
    onset, asked = WINDOW.mark(view), view.conditions
    _, end = WINDOW.of(view)
    return to.approach(
        view.speed,
        onset,
        end,
        base=0.0,
        target=abs(asked.target),
        tolerance=asked.tolerance,
    )


@defines(
    "alignment-time",
    "s",
    f"""Time in the reported state align in the judged window; a
    change of state lies in the middle between two telemetry frames. Not applicable to a Hall start
    without alignment. {WINDOW.text}""",
    source=COMMON,
    channels=("reported.state",),
)
def alignment_time(view: View) -> Estimate:
    """Duration of the alignment; see its definition."""
    start, end = WINDOW.of(view)
    states = view.signal("reported.state")
    # No alignment begins before the command; the two clocks may disagree on which came first.
    early = max(start - states.interval - 2.0 * states.time_uncertainty, float(states.t[0]))
    held, budget, resolution = view.time_in(DriveState.ALIGN, min(early, start), end)
    if held > 0.0:
        return Estimate(held, budget, resolution)
    if view.conditions.sensing is Sensing.HALL:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "a start on Hall sensors needs no alignment")
    raise Unmeasurable(Outcome.NEVER_REACHED, "the drive never reported the state align")


def _travel(view: View, end: float) -> Signal:
    """Shaft angle relative to where it was at the command, positive as commanded."""
    start = view.mark("command").t
    part = view.position.window(start, end, 2)
    origin = float(np.interp(start, view.position.t, view.position.y))
    return Signal(
        part.name,
        part.t,
        part.y - origin,
        part.accuracy,
        part.time_uncertainty,
        part.interval,
    )


@defines(
    "backward-kick",
    "deg",
    f"""Largest travel of the shaft against the commanded direction, from its angle at mark
    `command`, anywhere in the judged window; 0 if none. Mechanical degrees, no
    filter. At most 180 degrees over the number of pole pairs follow from one alignment step at
    rest (physics of a two-pole alignment). {WINDOW.text}""",
    source="definition: " + COMMON,
    channels=("witness.position",),
)
def backward_kick(view: View) -> Estimate:
    """Travel against the commanded direction; see its definition."""
    _, end = WINDOW.of(view)
    travel = _travel(view, end)
    value = max(0.0, -float(np.min(travel.y)))
    return Estimate(value, travel.travel(value), travel.accuracy.resolution)


@defines(
    "total-kick",
    "deg",
    f"""Peak-to-peak travel of the shaft from mark `command` until it runs forward for good.
    That instant is the last at which the shaft was behind an angle it had reached before (by more
    than {BEHIND:g} degrees, or two resolutions of the tachometer if those are more), but not before
    the end of the state align, and searched only up to the first of: state run entered from ramp,
    half the target speed reached. Without alignment and without any backward motion it is 0.
    Mechanical degrees, no filter.""",
    source="definition: " + COMMON,
    channels=("witness.position", "reported.state"),
)
def total_kick(view: View) -> Estimate:
    """Peak-to-peak travel before the drive runs forward for good; see its definition."""
    start, end = WINDOW.of(view)
    limit = end
    handover = view.entry_to(DriveState.RUN, start, end, before=DriveState.RAMP)
    if handover is not None:
        limit = handover.t
    speed = view.speed.cut(start, limit)
    rising = waveform.crossings(
        speed.t, speed.y, abs(view.conditions.target) / 2.0, waveform.Polarity.RISING
    )
    if rising.size:
        limit = float(rising[0])
    travel = _travel(view, end).cut(start, limit)
    states = view.signal("reported.state").cut(start, limit)
    aligned = states.t[np.rint(states.y) == DriveState.ALIGN]
    # The end of the alignment lies between two frames: in the middle, as any change of state.
    until = float(aligned[-1]) + states.interval / 2.0 if aligned.size else start
    early = late = until
    if aligned.size:
        reach = states.interval / 2.0 + math.sqrt(3.0) * states.time_uncertainty
        early, late = until - reach, until + reach
    behind = np.maximum.accumulate(travel.y) - travel.y > max(
        BEHIND, 2.0 * travel.accuracy.resolution
    )
    if bool(np.any(behind)):
        last = float(travel.t[np.flatnonzero(behind)[-1]])
        until, early, late = max(until, last), max(early, last), max(late, last)
    value, *others = (
        float(np.ptp(np.append(travel.cut(start, end).y, 0.0))) for end in (until, early, late)
    )
    by_instant = rectangular(SAMPLING, max(abs(other - value) for other in others))
    return Estimate(value, travel.travel(value) + by_instant, travel.accuracy.resolution)


def _handover(view: View) -> Event:
    start, end = WINDOW.of(view)
    found = view.entry_to(DriveState.RUN, start, end, before=DriveState.RAMP)
    if found is not None:
        return found
    ramped = view.entry_to(DriveState.RAMP, start, end) is not None
    ran = view.entry_to(DriveState.RUN, start, end) is not None
    if not ramped and (ran or view.conditions.sensing is Sensing.HALL):
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the start has no ramp, hence no handover")
    raise Unmeasurable(Outcome.NEVER_REACHED, "the drive never went from ramp to run")


def _handover_level(view: View) -> steady.Level:
    at = view.once(_handover).t
    return steady.level_of(view.speed.window(at - BEFORE_HANDOVER, at, 2))


def _by_instant(view: View) -> Budget:
    """How much the handover speed depends on the instant, rpm: where between two frames it was.

    From the deviations of such means taken up to half a telemetry interval earlier or later; the
    speed pulsates within that time, so its mean slope would say too little.
    """
    event, level = view.once(_handover), view.once(_handover_level)
    reach = event.resolution / 2.0 + 2.0 * event.budget.of(CLOCK).total
    around = view.speed.cut(event.t - BEFORE_HANDOVER - reach, event.t + reach)
    means = waveform.moving_mean(around.t, around.y, BEFORE_HANDOVER)
    centre = event.t - BEFORE_HANDOVER / 2.0
    near = means[np.abs(around.t - centre) <= reach]
    if not near.size:
        return Budget()
    # Any of these instants may be the true one: their root mean square is its standard uncertainty.
    spread = float(np.sqrt(np.mean((near - level.value) ** 2)))
    return line(SAMPLING, math.sqrt(3.0) * spread, Shape.RECTANGULAR)


@defines(
    "handover-speed",
    "rpm",
    f"""Mean shaft speed over the {1e3 * BEFORE_HANDOVER:g} ms before the reported state
    changes from ramp to run, positive in the commanded direction. Not applicable to a start
    without a ramp. Uncertainty includes what the speed does while the instant is uncertain.""",
    source=COMMON,
    channels=("witness.speed", "reported.state"),
)
def handover_speed(view: View) -> Estimate:
    """Speed at which the ramp ends; see its definition."""
    level = view.once(_handover_level)
    window = level.window
    return Estimate(
        level.value,
        window.mean_level(level.value, BEFORE_HANDOVER) + view.once(_by_instant),
        window.accuracy.resolution,
        window.note,
    )


@defines(
    "handover-dip",
    "%",
    f"""How far the shaft speed falls below the handover speed in the {AFTER_HANDOVER:g} s after the
    change from ramp to run, in % of the handover speed; 0 if it does not.
    Filter: moving mean of {1e3 * BEFORE_HANDOVER:g} ms. Not applicable without a ramp.""",
    source=COMMON,
    channels=("witness.speed", "reported.state"),
)
def handover_dip(view: View) -> Estimate:
    """Loss of speed at the end of the ramp; see its definition."""
    event, level = view.once(_handover), view.once(_handover_level)
    if level.value <= 0.0:
        detail = f"the shaft turned at {level.value:.4g} rpm at the end of the ramp"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    _, end = WINDOW.of(view)
    after = view.speed.window(event.t, min(event.t + AFTER_HANDOVER, end), 2)
    lowest = float(np.min(waveform.moving_mean(after.t, after.y, BEFORE_HANDOVER)))
    factor = 100.0 / level.value
    return Estimate(
        max(0.0, factor * (level.value - lowest)),
        factor * (view.once(_by_instant) + after.difference(BEFORE_HANDOVER)),
        factor * after.accuracy.resolution,
        after.note,
    )


_RECIPES: tuple[Recipe, ...] = (
    to.success_recipe(_approach, WINDOW),
    answer.time_to_motion,
    to.time_to_recipe(_approach, "time-to-speed", WINDOW),
    alignment_time,
    backward_kick,
    total_kick,
    handover_speed,
    handover_dip,
    to.overshoot_recipe(_approach, WINDOW),
    to.settling_recipe(_approach, "settling-time", WINDOW, None),
    peak_current_recipe(WINDOW.of, f"in the judged window, {WINDOW.span}"),
    steady.steady_error_recipe(to.level_of(_approach), WINDOW.text),
    steady.ripple_recipe(to.level_of(_approach), WINDOW.text),
    fault_count,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
