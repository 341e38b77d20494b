"""Measures of any trace: what a scenario written as a list of steps is judged by."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hil.core.measure import Outcome
from hil.measures import steady, waveform
from hil.measures.peaks import fault_count, peak_current_recipe, peak_dc_link_recipe
from hil.measures.recipe import COMMON, Estimate, Recipe, Unmeasurable, defines
from hil.measures.view import View


def _level(view: View) -> tuple[steady.Level, float]:
    """Level before the last `stop` (or the end), positive in the last commanded direction."""
    marks = view.trace.marks
    stops = [mark.t for mark in marks if mark.name == "stop"]
    end = stops[-1] if stops else view.end
    turned = sum(mark.name == "reverse" and mark.t < end for mark in marks) % 2 == 1
    speed = view.speed if not turned else -view.speed
    return steady.steady(speed, 0.0, end), abs(view.conditions.target)


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
    part = view.all_of(view.speed.name)
    y = np.abs(waveform.moving_mean(part.t, part.y, steady.RIPPLE_FILTER))
    value, _ = waveform.peak(part.t, y)
    return Estimate(value, part.level_uncertainty(value), part.accuracy.resolution, view.speed.note)


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
    return Estimate(value, part.level_uncertainty(value), part.accuracy.resolution)


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


_WORDS = "over the whole trace"
_RECIPES: tuple[Recipe, ...] = (
    steady.steady_error_recipe(_level, "final-speed-error"),
    steady.ripple_recipe(_level),
    peak_speed,
    peak_current_recipe(None, _WORDS),
    peak_dc_link_recipe(None, _WORDS),
    peak_temperature,
    fault_count,
    duration,
)
RECIPES: Mapping[str, Recipe] = {recipe.definition.name: recipe for recipe in _RECIPES}
