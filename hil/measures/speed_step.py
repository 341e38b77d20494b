"""A speed step, up or down, small or large, and what happens when saturation is released."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hil.core.budget import ACCURACY, CLOCK, NOISE, RESOLUTION, rectangular
from hil.core.measure import Outcome
from hil.core.trace import Mark
from hil.measures import approach as to
from hil.measures import steady, waveform
from hil.measures.extreme import largest_of_even
from hil.measures.peaks import peak_current_recipe
from hil.measures.recipe import COMMON, IEEE_181, Estimate, Recipe, defines
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View, Window

BEFORE = 0.2  # s before the set point, averaged for the level before
HELD = 0.1  # s before the release in which the load must hold the speed down
WINDOW = Window("set-point", -1, ("stop", "reverse", "clear", "restart"))
_LEVELS = f"""Levels: the mean of the {BEFORE:g} s before mark `set-point`, and the mean of the
    steady window; {steady.STEADY_TEXT}."""


def _approach(view: View) -> to.Approach:
    onset, asked = WINDOW.mark(view), view.conditions
    start, end = WINDOW.of(view)
    before = steady.level_of(view.speed.window(start - BEFORE, start, 3)).value
    it = to.approach(
        view.speed,
        onset,
        end,
        base=asked.entry,
        target=asked.target,
        tolerance=asked.tolerance,
    )
    base = before if asked.target > asked.entry else -before
    commanded = abs(asked.target - asked.entry)
    if abs(base - it.base) > 0.5 * commanded:
        detail = f"the shaft turned at {before:.4g} rpm before the step, not at {asked.entry:g} rpm"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    return to.Approach(it.raw, it.smooth, onset, end, base, it.target, it.tolerance)


@defines(
    "transition-duration",
    "s",
    f"""Time between the 10 % and the 90 % reference level instants of the speed step
    (interpolated): the first crossing of 90 % of the waveform amplitude and the last crossing
    of 10 % before it. {_LEVELS} {to.FILTER_TEXT}. {WINDOW.text}""",
    source=IEEE_181,
    channels=to.SPEED,
)
def transition_duration(view: View) -> Estimate:
    """10-90 % transition duration; see its definition."""
    it = view.once(_approach)
    first, second = waveform.transition(it.smooth.t, it.smooth.y, it.levels)
    level = it.steady.budget.without(ACCURACY, NOISE)
    one, other = (it.smooth.crossing(at, to.SMOOTHING, level) for at in (first, second))
    # One time base and one gain stand behind both instants and the levels they are counted from.
    budget = (one + other).without(CLOCK)
    return Estimate(second - first, budget, it.raw.interval, it.raw.note)


@defines(
    "undershoot",
    "%",
    f"""Largest excursion of the shaft speed against the step, short of the level before,
    between mark `set-point` and the 90 % reference level instant, in % of the waveform
    amplitude; 0 if none; speed ripple is part of it. {_LEVELS} Filter: moving mean of
    {1e3 * steady.RIPPLE_FILTER:g} ms, on top of the tachometer's own. {WINDOW.text}""",
    source=IEEE_181,
    channels=to.SPEED,
)
def undershoot(view: View) -> Estimate:
    """Excursion against the step; see its definition."""
    it = view.once(_approach)
    levels = it.levels
    _, until = waveform.transition(it.smooth.t, it.smooth.y, levels, (50.0, 90.0))
    whole = view.speed if view.conditions.target > view.conditions.entry else -view.speed
    early, part, late = (whole.clipped(it.onset.t + by, until + by) for by in it.shifts)
    # Until the drive answers, the speed is as even as it was before.
    lowest, rounded = largest_of_even(-part, steady.RIPPLE_FILTER)
    # An excursion at the edge of the window may belong into it or not.
    depths = [
        max(0.0, levels[0] - float(np.min(waveform.fine_means(p.t, p.y, steady.RIPPLE_FILTER))))
        for p in (early, part, late)
    ]
    doubt = max(abs(depth - depths[1]) for depth in depths)
    factor = 100.0 / (levels[1] - levels[0])
    level = part.mean_level(0.0, BEFORE).of(RESOLUTION)
    return Estimate(
        waveform.undershoot(np.array([-lowest]), levels),
        factor * (rounded + part.offsets() + level + rectangular(CLOCK, doubt)),
        factor * part.accuracy.resolution,
        part.note,
    )


def _release(view: View) -> tuple[to.Approach, Mark]:
    """The approach, and the mark at which the load lets go of a drive that it held back."""
    if not view.conditions.saturated:
        raise Unmeasurable(Outcome.NOT_APPLICABLE, "the step does not saturate on purpose")
    it = view.once(_approach)
    released = [
        m
        for m in view.trace.marks
        if m.name in ("load-off", "brake-off") and it.onset.t <= m.t < it.end
    ]
    if not released:
        detail = "no mark `load-off` or `brake-off` after the set point"
        raise Unmeasurable(Outcome.MISSING_DATA, detail)
    last = max(released, key=lambda m: m.t)
    held = it.smooth.cut(last.t - HELD, last.t)
    if not held.y.size or float(np.max(held.y)) >= it.target - it.tolerance:
        detail = "the speed was not held back before the release"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    return it, last


@defines(
    "wind-up-overshoot",
    "%",
    f"""Largest shaft speed after the release of the load that held the controller in saturation
    (the last mark `load-off` or `brake-off` after `set-point`) beyond the final level, in % of the
    waveform amplitude; 0 if none. {_LEVELS} Filter: moving mean of
    {1e3 * steady.RIPPLE_FILTER:g} ms. Only for steps that saturate on purpose, and
    only if the speed stayed below target - tolerance for the {1e3 * HELD:g} ms before the
    release. {WINDOW.text}""",
    source=COMMON,
    channels=to.SPEED,
)
def wind_up_overshoot(view: View) -> Estimate:
    """Overshoot after saturation; see its definition."""
    it, released = view.once(_release)
    return it.beyond(it.raw.window(released.t, it.end, 2))


@defines(
    "settling-after-release",
    "s",
    f"""Settling: time from the release of the load that held the controller in saturation (the last
    mark `load-off` or `brake-off` after `set-point`) to the last entry (interpolated) of the shaft
    speed into the final level ± the tolerance of the waveform amplitude, kept to the end of the
    judged window and for the whole steady window at least; 0 if it is in there from the release on.
    {_LEVELS} {to.FILTER_TEXT}. Only for steps that saturate on purpose, and only if the speed
    stayed below target - tolerance for the {1e3 * HELD:g} ms before the release. {WINDOW.text}""",
    source=IEEE_181,
    channels=to.SPEED,
)
def settling_after_release(view: View) -> Estimate:
    """Settling after saturation; see its definition."""
    it, released = view.once(_release)
    return it.settling(released, view.conditions.tolerance)


_RECIPES: tuple[Recipe, ...] = (
    transition_duration,
    to.overshoot_recipe(_approach, WINDOW),
    undershoot,
    to.settling_recipe(_approach, "settling-time-2", WINDOW, 2.0),
    to.settling_recipe(_approach, "settling-time-5", WINDOW, 5.0),
    steady.steady_error_recipe(to.level_of(_approach), WINDOW.text),
    steady.ripple_recipe(to.level_of(_approach), WINDOW.text),
    peak_current_recipe(WINDOW.of, f"in the judged window, {WINDOW.span}"),
    wind_up_overshoot,
    settling_after_release,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
