"""Largest and smallest value of a rounded signal, freed of what rounding adds to an extreme.

The largest of many readings is too large on average: among those near the crest it picks the one
whose rounding error points outwards. By how much depends on how many come near. It is found by
rounding once and twice more, many times over, and going back from there to not at all: if a further
rounding adds a, and one more adds b, the first one added 2 a - b (simulation extrapolation: Cook
and Stefanski, J. Am. Stat. Assoc. 89, 1994; from memory).

A recognised systematic effect is corrected, and the correction is uncertain (JCGM 100:2008, 3.2.4):
a third of it is taken for that. Roundings are taken as independent, as those of a shaft that
wanders are; where the gate is known, readings whose gates overlap share counts (see
`Signal.rounding`). A speed without any ripple has roundings that repeat, and is corrected too far,
by less than a step.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np

from hil.core.budget import RESOLUTION, Budget, line, rectangular
from hil.core.trace import FloatArray
from hil.measures import waveform
from hil.measures.signal import Signal

#: How often the signal is rounded anew, and for how many samples the errors are drawn.
ROUNDS, LENGTH = 24, 4096
#: Share of a correction that is uncertain (standard uncertainty).
DOUBT = 1.0 / 3.0
#: Steps about an extreme within which a mean may become one.
NEAR = 2.0


def largest(part: Signal, width: float) -> tuple[float, Budget]:
    """Largest full mean over `width` s, and the budget of its rounding, in the unit of `part`.

    The resolution of `part` is that of one reading, a count over a gate: the difference of two
    roundings, whose error is triangular over plus and minus one step. Without a resolution the
    largest mean is given as it is.
    """
    return _corrected(*_extreme(part, width, _highest))


def largest_magnitude(part: Signal, width: float) -> tuple[float, Budget]:
    """Largest magnitude of the full means over `width` s of a speed that is even for the most part.

    As a whole trace is. See `largest_of_even`.
    """
    return _halved(*_extreme(part, width, _farthest))


def largest_of_even(part: Signal, width: float) -> tuple[float, Budget]:
    """Largest full mean over `width` s of a speed that is even, or has one crest.

    Counts advance by nearly one fraction from sample to sample: their roundings lie anywhere
    between repeating, which adds nothing to an extreme, and being independent. Half of what
    `largest` would take off is taken off, and the error of that is rectangular over the same half
    (JCGM 100:2008, 4.3.8: bounds that are not symmetric).
    """
    return _halved(*_extreme(part, width, _highest))


def _halved(found: float, size: float, most: float) -> tuple[float, Budget]:
    return found - most / 2.0, line(RESOLUTION, size) + rectangular(RESOLUTION, most / 2.0)


def peak_to_peak(part: Signal, width: float) -> tuple[float, Budget]:
    """Largest less smallest full mean over `width` s, at least 0; else as `largest`."""
    found, size, most = _extreme(part, width, _range)
    value, budget = _corrected(found, math.sqrt(2.0) * size, most)
    return max(0.0, value), budget


def _corrected(found: float, size: float, most: float) -> tuple[float, Budget]:
    return found - most, line(RESOLUTION, size) + line(RESOLUTION, DOUBT * most)


def _highest(y: FloatArray) -> FloatArray:
    return np.asarray(np.max(y, axis=-1))


def _farthest(y: FloatArray) -> FloatArray:
    return np.asarray(np.max(np.abs(y), axis=-1))


def _range(y: FloatArray) -> FloatArray:
    return np.asarray(np.max(y, axis=-1) - np.min(y, axis=-1))


def _extreme(
    part: Signal, width: float, of: Callable[[FloatArray], FloatArray]
) -> tuple[float, float, float]:
    """`of` all full means; the standard uncertainty of one, and what independent roundings add."""
    y = waveform.fine_means(part.t, part.y, width)
    found = float(of(y))
    step = part.accuracy.resolution
    if step <= 0.0 or not math.isfinite(found):
        return found, 0.0, 0.0
    interval = part.interval
    samples, gate = (round(s / interval) if interval > 0.0 else 0 for s in (width, part.gate))
    once, twice = _errors(max(1, samples), gate)
    # Only readings that come near an extreme can become one.
    near = np.flatnonzero((y >= y.max() - NEAR * step) | (y <= y.min() + NEAR * step))
    here = near % LENGTH
    size = step * float(np.std(once))
    a = float(np.mean(of(y[near] + step * once[:, here]))) - found
    b = float(np.mean(of(y[near] + step * (once + twice)[:, here]))) - found - a
    return found, size, max(0.0, 2.0 * a - b)


@lru_cache(maxsize=16)
def _errors(samples: int, gate: int) -> tuple[FloatArray, FloatArray]:
    """Two independent sets of errors of means over so many readings of step 1.

    A reading is counted over `gate` readings, so that those near each other share counts, or over
    one of its own for 0. Drawn once from a fixed seed, so that a measure stays a function of its
    trace; shape (ROUNDS, LENGTH) each.
    """
    rng = np.random.default_rng(1)
    weights = _weights(samples)
    shape = (2, ROUNDS, LENGTH + weights.size - 1 + gate)
    counts = rng.random(shape)
    readings = counts[..., gate:] - (counts[..., :-gate] if gate else rng.random(shape))
    means = np.zeros((2, ROUNDS, LENGTH))
    for i, weight in enumerate(weights.tolist()):
        means += weight * readings[..., i : i + LENGTH]
    return means[0], means[1]


@lru_cache(maxsize=16)
def _weights(samples: int) -> FloatArray:
    """Weights of the readings about a sample in the mean over so many intervals; sum 1."""
    reach = samples // 2 + 2
    single = np.zeros(2 * reach + 1)
    single[reach] = 1.0
    spread = waveform.moving_mean(np.arange(single.size, dtype=np.float64), single, float(samples))
    return spread[spread > 0.0]
