"""A reversal: from steady speed one way to steady speed the other way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from hil.core.budget import CLOCK, clock
from hil.core.measure import Outcome
from hil.measures import approach as to
from hil.measures import steady, waveform
from hil.measures.peaks import fault_count, peak_current_recipe, peak_dc_link_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View, Window

STANDSTILL = 2.0  # % of the entry speed


WINDOW = Window("reverse")


def _approach(view: View) -> to.Approach:
    view.need_direction()
    onset, asked = WINDOW.mark(view), view.conditions
    _, end = WINDOW.of(view)
    return to.approach(
        view.speed,
        onset,
        end,
        base=abs(asked.entry),
        target=-abs(asked.target),
        tolerance=asked.tolerance,
    )


def standstill_threshold(view: View) -> float:
    """Speed below which the shaft counts as standing: 2 % of entry, or 3 resolutions, in rpm."""
    entry = abs(view.conditions.entry) or abs(view.conditions.target)
    return max(STANDSTILL / 100.0 * entry, 3.0 * view.speed.accuracy.resolution)


def _standstill(view: View) -> tuple[float, Signal]:
    """First entry into the standstill band, s on the axis of the trace, and the speed."""
    view.need_direction()
    start, end = WINDOW.of(view)
    part = view.speed.window(start, end, 3)
    threshold = standstill_threshold(view)
    if part.y[0] <= threshold:
        detail = f"the shaft turned at {part.y[0]:.4g} rpm at the mark: nothing to reverse"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    found = waveform.crossings(part.t, part.y, threshold, waveform.Polarity.FALLING)
    if not found.size:
        detail = f"the speed never fell below {threshold:.4g} rpm"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    return float(found[0]), part


@defines(
    "time-to-standstill",
    "s",
    f"""Time from mark `reverse` to the first instant (interpolated) at which the shaft speed falls
    to the standstill threshold: {STANDSTILL:g} % of the entry speed, but at least three resolutions
    of the tachometer. No filter.""",
    source=COMMON,
    channels=("witness.speed",),
)
def time_to_standstill(view: View) -> Estimate:
    """Time until the shaft first stands; see its definition."""
    at, part = view.once(_standstill)
    onset = view.mark("reverse")
    budget = part.crossing(at) + clock(onset.uncertainty)
    return Estimate(at - onset.t, budget, part.interval, part.note)


@defines(
    "dwell",
    "s",
    f"""Time from the first entry into the standstill band (as in time-to-standstill) to the last
    exit from it into the new direction (interpolated): |speed| below {STANDSTILL:g} % of the entry
    speed, but at least three resolutions of the tachometer. Filter: moving mean of
    {1e3 * steady.RIPPLE_FILTER:g} ms.""",
    source=COMMON,
    channels=("witness.speed",),
)
def dwell(view: View) -> Estimate:
    """Time at standstill between the two directions; see its definition."""
    _, raw = view.once(_standstill)
    # The speed bends where the shaft stops: freed of what straight lines between samples do to it.
    t, y = waveform.fine_course(raw.t, raw.y, steady.RIPPLE_FILTER)
    part = replace(raw, t=t, y=y)
    threshold = standstill_threshold(view)
    entering = waveform.crossings(part.t, part.y, threshold, waveform.Polarity.FALLING)
    if not entering.size:
        raise Unmeasurable(Outcome.NEVER_REACHED, "the shaft never stood")
    at = float(entering[0])
    leaving = waveform.crossings(part.t, part.y, -threshold, waveform.Polarity.FALLING)
    if not leaving.size:
        raise Unmeasurable(Outcome.NEVER_REACHED, "the shaft never turned the other way")
    last = float(leaving[-1])
    # One time base stands behind both instants.
    one, other = (part.crossing(t, steady.RIPPLE_FILTER) for t in (at, last))
    budget = (one + other).without(CLOCK)
    return Estimate(last - at, budget, part.interval, part.note)


_WORDS = f"in the judged window, {WINDOW.span}"
_RECIPES: tuple[Recipe, ...] = (
    to.success_recipe(_approach, WINDOW),
    time_to_standstill,
    dwell,
    to.time_to_recipe(_approach, "time-to-reverse-speed", WINDOW),
    peak_dc_link_recipe(WINDOW.of, _WORDS),
    peak_current_recipe(WINDOW.of, _WORDS),
    to.overshoot_recipe(_approach, WINDOW),
    steady.steady_error_recipe(to.level_of(_approach), WINDOW.text),
    fault_count,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
