"""Largest and smallest value of a rounded signal, freed of what rounding adds to an extreme.

The largest of many readings is too large on average: among those near the crest it picks the one
whose rounding error points outwards. By how much depends on how many come near. It is found by
rounding once and twice more, many times over, and going back from there to not at all: if a further
rounding adds a, and one more adds b, the first one added 2 a - b (simulation extrapolation: Cook
and Stefanski, J. Am. Stat. Assoc. 89, 1994; from memory). A recognised systematic effect is
corrected, and the correction is uncertain (JCGM 100:2008, 3.2.4): a third of it is taken for that.
Roundings are taken as independent, as those of a shaft that wanders are. A speed without any ripple
has roundings that repeat, and is corrected too far, by less than a step.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from hil.core.budget import RESOLUTION, Budget, line
from hil.core.trace import FloatArray
from hil.measures import waveform
from hil.measures.signal import Signal

#: How often the signal is rounded anew, and for how many samples the errors are drawn.
ROUNDS, LENGTH = 24, 4096
#: Share of a correction that is uncertain (standard uncertainty).
DOUBT = 1.0 / 3.0


def largest(part: Signal, width: float) -> tuple[float, Budget]:
    """Largest full mean over `width` s, and the budget of its rounding, in the unit of `part`.

    The resolution of `part` is that of one reading, a count over a gate: the difference of two
    roundings, whose error is triangular over plus and minus one step. Without a resolution the
    largest mean is given as it is.
    """
    return _extreme(part, width, 1.0, _highest)


def peak_to_peak(part: Signal, width: float) -> tuple[float, Budget]:
    """Largest less smallest full mean over `width` s, at least 0; else as `largest`."""
    value, budget = _extreme(part, width, math.sqrt(2.0), _range)
    return max(0.0, value), budget


def _highest(y: FloatArray) -> FloatArray:
    return np.asarray(np.max(y, axis=-1))


def _range(y: FloatArray) -> FloatArray:
    return np.asarray(np.max(y, axis=-1) - np.min(y, axis=-1))


def _extreme(
    part: Signal, width: float, ends: float, of: Callable[[FloatArray], FloatArray]
) -> tuple[float, Budget]:
    """`of` all full means, corrected; it has the error of sqrt(`ends`^2) of them."""
    y = waveform.full_means(part.t, part.y, width)
    found = float(of(y))
    step = part.accuracy.resolution
    if step <= 0.0 or not math.isfinite(found):
        return found, Budget()
    samples = max(1, round(width / part.interval)) if part.interval > 0.0 else 1
    once, twice = _errors(samples)
    size = step * float(np.std(once))
    # Only readings that come near an extreme can become one.
    near = np.flatnonzero((y >= y.max() - 8.0 * size) | (y <= y.min() + 8.0 * size))
    here = near % LENGTH
    a = float(np.mean(of(y[near] + step * once[:, here]))) - found
    b = float(np.mean(of(y[near] + step * (once + twice)[:, here]))) - found - a
    correction = max(0.0, 2.0 * a - b)
    budget = line(RESOLUTION, ends * size) + line(RESOLUTION, DOUBT * correction)
    return found - correction, budget


@lru_cache(maxsize=16)
def _errors(samples: int) -> tuple[FloatArray, FloatArray]:
    """Two independent sets of errors of means over so many readings of step 1.

    Drawn once from a fixed seed, so that a measure stays a function of its trace; shape
    (ROUNDS, LENGTH) each.
    """
    rng = np.random.default_rng(1)
    shape = (2, ROUNDS, LENGTH + samples)
    sums = np.cumsum(rng.random(shape) - rng.random(shape), axis=-1)
    means = (sums[..., samples:] - sums[..., :-samples]) / samples
    return means[0], means[1]
