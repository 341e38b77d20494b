"""The steady part of a trace: its level, steady error and ripple."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from hil.core.budget import NOISE, Budget, line
from hil.core.measure import Outcome
from hil.measures import waveform
from hil.measures.extreme import peak_to_peak
from hil.measures.recipe import COMMON, Estimate, Recipe, defines
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

STEADY = 0.5  # s, length of the steady window
STRETCH = 0.05  # s, averaged to tell slow wandering from fast ripple
RIPPLE_FILTER = 0.005  # s
RIPPLE_BANDWIDTH = 0.443 / RIPPLE_FILTER  # Hz
STEADY_TEXT = f"the steady window is the last {STEADY:g} s of the judged window"


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """A settled level: the time mean over a window, with the budget of its uncertainty."""

    value: float
    budget: Budget
    window: Signal


#: Finds the steady level and the target speed, both with the same orientation.
LevelOf = Callable[[View], tuple[Level, float]]


def steady(signal: Signal, start: float, end: float) -> Level:
    """The level over the last `STEADY` seconds of [start, end].

    Uncertainty: see `level_of`.

    Raises
    ------
    Unmeasurable
        TOO_FEW_SAMPLES if [start, end] is shorter than the steady window; or see `Signal.window`.
    """
    if end - start < STEADY - 1e-9:
        detail = f"the window from {start:.4g} s to {end:.4g} s is too short: {STEADY_TEXT}"
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, detail)
    return level_of(signal.window(end - STEADY, end, 3))


def level_of(window: Signal) -> Level:
    """The level of a stretch that is settled throughout.

    Uncertainty: the limits of error of the source, which a mean does not reduce, and the standard
    deviation of the means of successive stretches of 50 ms over the root of their number (JCGM
    100:2008, 4.2.3): fast ripple averages out within a stretch, slow wandering does not. Less than
    two stretches leave the standard deviation of the samples.
    """
    value = waveform.mean(window.t, window.y)
    edges = np.arange(window.t[0], window.t[-1] + STRETCH / 2.0, STRETCH)
    starts = np.unique(np.searchsorted(window.t, edges[:-1]))
    if starts.size < 2:
        noise = line(NOISE, float(np.std(window.y)))
    else:
        counts = np.diff(np.append(starts, window.y.size))
        means = np.add.reduceat(window.y, starts) / counts
        scatter = float(np.std(means, ddof=1)) / float(np.sqrt(means.size))
        noise = line(NOISE, scatter, freedom=means.size - 1.0)
    span = float(window.t[-1] - window.t[0])
    return Level(value, window.mean_level(value, span) + noise, window)


def steady_error(level: Level, target: float, note: str = "") -> Estimate:
    """(level - target) / |target| in %; positive is too fast, whatever the direction.

    `level` and `target` have the same orientation; a target of zero is NOT_APPLICABLE. What is
    defined is the mean of this very window, so that how the speed wanders in it is no error.
    """
    if target == 0.0:
        detail = "the target speed is zero: no error in % of it"
        raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)
    factor = 100.0 / target
    return Estimate(
        factor * (level.value - target),
        factor * level.budget.without(NOISE),
        abs(factor) * level.window.resolution_of_mean(STEADY),
        note,
    )


def ripple(level: Level, target: float, note: str = "") -> Estimate:
    """Peak-to-peak speed in % of the mean of the steady window, after a 5 ms moving mean.

    NEVER_REACHED if the mean is below a tenth of `target`: a shaft at rest has no ripple.
    """
    window = level.window
    if abs(level.value) <= abs(target) / 10.0:
        detail = f"the shaft turned at {level.value:.4g} rpm: too slow for a ripple in % of it"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    factor = 100.0 / abs(level.value)
    size, rounded = peak_to_peak(window, RIPPLE_FILTER)
    return Estimate(
        factor * size,
        factor * (rounded + window.offsets()),
        factor * window.resolution_of_mean(RIPPLE_FILTER),
        note,
    )


RIPPLE_TEXT = f"""Peak-to-peak shaft speed in the steady window, in % of the mean there.
    Filter: moving mean of {1e3 * RIPPLE_FILTER:g} ms (bandwidth {RIPPLE_BANDWIDTH:.0f} Hz), on
    top of the tachometer's own; {STEADY_TEXT}."""

STEADY_ERROR_TEXT = f"""Time mean of the shaft speed in the steady window minus the target
    speed, in % of the target; positive means too fast. No filter; {STEADY_TEXT}."""


def ripple_recipe(find: LevelOf, window: str) -> Recipe:
    """The measure `ripple` of the steady window that `find` gives; `window` in words."""

    @defines("ripple", "%", f"{RIPPLE_TEXT} {window}", source=COMMON, channels=("witness.speed",))
    def recipe(view: View) -> Estimate:
        level, target = find(view)
        return ripple(level, target, level.window.note)

    return recipe


def steady_error_recipe(find: LevelOf, window: str, name: str = "steady-error") -> Recipe:
    """The measure `steady-error` of the steady window that `find` gives; `window` in words."""

    @defines(name, "%", f"{STEADY_ERROR_TEXT} {window}", source=COMMON, channels=("witness.speed",))
    def recipe(view: View) -> Estimate:
        level, target = find(view)
        return steady_error(level, target, level.window.note)

    return recipe
