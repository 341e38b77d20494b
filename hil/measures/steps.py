"""Measures of any trace: what a scenario written as a list of steps is judged by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from hil.core.budget import RESOLUTION, Budget, rectangular
from hil.core.measure import Outcome
from hil.measures import answer, directions, evenness, handover, slowest, steady, sweep, waveform
from hil.measures.extreme import largest_magnitude
from hil.measures.peaks import fault_count, peak_current_recipe, peak_dc_link_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

MOTION = sweep.MOTION


def _level(view: View) -> tuple[steady.Level, float]:
    """Level before the stop that follows the last commanded speed, positive as commanded.

    The orderly stop at the end of every scenario comes after that one, or is it.
    """
    moves = [mark for mark in view.trace.marks if mark.name in MOTION]
    start = moves[-1].t if moves else 0.0
    turned = sum(mark.name == "reverse" for mark in moves) % 2 == 1
    directed = view.conditions.senses_direction
    speed = -view.speed if turned and directed else view.speed
    level = steady.steady(speed, start, view.until(start, ("stop",)))
    return level, abs(view.conditions.target)


@defines(
    "peak-speed",
    "rpm",
    f"""Largest magnitude of the shaft speed over the whole trace.
    Filter: moving mean of {1e3 * steady.RIPPLE_FILTER:g} ms.""",
    source=COMMON,
    channels=("witness.speed",),
)
def peak_speed(view: View) -> Estimate:
    """Largest speed of the trace; see its definition."""
    speed = view.speed
    part = replace(view.all_of(speed.name), gate=speed.gate)
    value, rounded = largest_magnitude(part, steady.RIPPLE_FILTER)
    budget = part.limits(value) + rounded
    return Estimate(value, budget, part.accuracy.resolution, speed.note)


@defines(
    "peak-temperature",
    "degC",
    "Largest reported temperature of the power stage over the whole trace. No filter.",
    source=COMMON,
    channels=("reported.temperature",),
)
def peak_temperature(view: View) -> Estimate:
    """Largest power-stage temperature of the trace; see its definition."""
    part = view.all_of("reported.temperature")
    value, _ = waveform.peak(part.t, part.y)
    # Where the rig file states no resolution, the numbers themselves tell how they are rounded.
    steps = np.diff(np.unique(part.y))
    grain = part.accuracy.resolution or (float(np.min(steps)) if steps.size else 0.0)
    rounded = Budget() if part.accuracy.resolution else rectangular(RESOLUTION, grain / 2.0)
    return Estimate(value, part.level(value) + rounded, grain)


@defines(
    "duration",
    "s",
    """Length of the trace: from its start to its stated end, or to the last sample where none is
    stated. Bench time, from the clock of the bench.""",
    source=COMMON,
)
def duration(view: View) -> Estimate:
    """Length of the trace; see its definition."""
    end = view.end
    if end <= 0.0:
        raise Unmeasurable(Outcome.MISSING_DATA, "the trace is empty")
    return Estimate(end)


_FINAL = """Judged window: from the last mark `command`, `set-point`, `reverse` or `restart` (or the
    beginning) to the first `stop` after it, or the end of the trace."""
_WORDS = "over the whole trace"
_RECIPES: tuple[Recipe, ...] = (
    steady.steady_error_recipe(_level, _FINAL, "final-speed-error"),
    steady.ripple_recipe(_level, _FINAL),
    peak_speed,
    peak_current_recipe(None, _WORDS),
    peak_dc_link_recipe(None, _WORDS),
    peak_temperature,
    fault_count,
    answer.time_to_fault,
    answer.time_to_still,
    answer.dip_edge,
    duration,
    *sweep.RECIPES.values(),
    slowest.minimum_speed,
    directions.current_asymmetry,
    *handover.RECIPES.values(),
    *evenness.RECIPES.values(),
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
