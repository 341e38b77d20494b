"""Measures of a sampled waveform, in the terms of IEEE Std 181: arrays in, numbers out.

Every function takes finite samples ``t`` (s, shape (n,), strictly increasing, may be irregular)
and ``y`` (shape (n,)), interpolates linearly between samples, and raises `Unmeasurable` with
TOO_FEW_SAMPLES or NEVER_REACHED where there is no answer. Results do not depend on where the time
axis starts, on the scale of ``y``, or on its sign (give mirrored levels with mirrored samples).
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np

from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures.unmeasurable import Unmeasurable


class Polarity(IntEnum):
    """Which way a waveform passes a level."""

    RISING = 1
    FALLING = -1


def require(y: FloatArray, least: int) -> None:
    """Raise `Unmeasurable` (TOO_FEW_SAMPLES) if there are fewer than `least` samples."""
    if y.size < least:
        detail = f"{y.size} samples in the judged window, at least {least} needed"
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, detail)


def state_levels(y: FloatArray, bins: int = 256) -> tuple[float, float]:
    """Levels of the low and the high state of a two-state waveform, by histogram mode.

    The range of ``y`` is divided into `bins`; each half of the histogram gives the mean of the
    samples in its fullest bin (the first of equals from the outside). A constant waveform has both
    levels equal. Source: IEEE Std 181-2011, 5.2 (from memory). For a state with periodic ripple the
    mean of a settled stretch is the better level: the mode of a sine lies at its crest.
    """
    require(y, 2)
    low, high = float(np.min(y)), float(np.max(y))
    if not high > low:
        return low, high
    # Work on [0, 1] so that levels scale exactly with the waveform.
    place = (y - low) / (high - low)
    index = np.minimum((place * bins).astype(np.intp), bins - 1)
    count = np.bincount(index, minlength=bins)
    half = bins // 2
    lower = int(np.argmax(count[:half]))
    upper = bins - 1 - int(np.argmax(count[: half - 1 : -1]))
    return float(np.mean(y[index == lower])), float(np.mean(y[index == upper]))


def crossings(t: FloatArray, y: FloatArray, level: float, polarity: Polarity) -> FloatArray:
    """Interpolated times at which ``y`` passes `level` with the given polarity (maybe none).

    A crossing leads from strictly before the level to at or beyond it, so a waveform that touches
    the level from its own side and turns back counts once, and one that starts on it does not.
    """
    d = (y - level) * float(polarity)
    i = np.flatnonzero((d[:-1] < 0.0) & (d[1:] >= 0.0))
    share = -d[i] / (d[i + 1] - d[i])
    found: FloatArray = t[i] + share * (t[i + 1] - t[i])
    return found


def transition(
    t: FloatArray,
    y: FloatArray,
    levels: tuple[float, float],
    percent: tuple[float, float] = (10.0, 90.0),
) -> tuple[float, float]:
    """Times of the two reference-level instants of the transition from levels[0] to levels[1].

    The second is the first crossing of the higher percentage; the first is the last crossing of the
    lower percentage before it (so that ripple on the first state does not start the transition). A
    waveform that starts beyond the lower percentage has no such crossing: NEVER_REACHED.
    """
    require(y, 2)
    base, amplitude = levels[0], levels[1] - levels[0]
    polarity = Polarity.RISING if amplitude >= 0.0 else Polarity.FALLING
    first, second = (base + amplitude * share / 100.0 for share in percent)
    upper = crossings(t, y, second, polarity)
    if not upper.size:
        detail = f"{percent[1]:g} % of the step was never reached"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    lower = crossings(t, y, first, polarity)
    lower = lower[lower <= upper[0]]
    if not lower.size:
        detail = f"the waveform was beyond {percent[0]:g} % of the step from the beginning"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    return float(lower[-1]), float(upper[0])


def transition_duration(
    t: FloatArray,
    y: FloatArray,
    levels: tuple[float, float],
    percent: tuple[float, float] = (10.0, 90.0),
) -> float:
    """Transition duration in s between two percent reference levels (see `transition`)."""
    first, second = transition(t, y, levels, percent)
    return second - first


def overshoot(y: FloatArray, levels: tuple[float, float]) -> float:
    """Largest excursion beyond levels[1], in % of the waveform amplitude; 0 if there is none.

    Give only samples from the transition onwards.
    """
    return _excursion(y, levels, levels[1], 1.0)


def undershoot(y: FloatArray, levels: tuple[float, float]) -> float:
    """Largest excursion short of levels[0] (against the step), in % of the amplitude; or 0."""
    return _excursion(y, levels, levels[0], -1.0)


def _excursion(y: FloatArray, levels: tuple[float, float], level: float, side: float) -> float:
    require(y, 1)
    amplitude = levels[1] - levels[0]
    # A step below the numeric resolution of the samples is none.
    if abs(amplitude) <= 1e-12 * max(abs(levels[0]), abs(levels[1]), float(np.max(np.abs(y)))):
        raise Unmeasurable(Outcome.NEVER_REACHED, "both state levels are equal: there is no step")
    return max(0.0, 100.0 * float(np.max(side * (y - level) / amplitude)))


def first_entry(
    t: FloatArray, y: FloatArray, level: float, half_width: float, onset: float
) -> float:
    """Seconds from `onset` to the first entry into level ± half_width; 0 if inside at the start.

    A band that is jumped over between two samples counts as entered at its near edge.
    """
    require(y, 1)
    d = y - level
    inside = np.abs(d) <= half_width
    jumped = np.zeros(d.size, dtype=np.bool_)
    jumped[1:] = d[1:] * d[:-1] < 0.0
    found = np.flatnonzero(inside | jumped)
    if not found.size:
        nearest = float(np.min(np.abs(d)))
        raise Unmeasurable(
            Outcome.NEVER_REACHED,
            f"the band of ±{half_width:.4g} about {level:.4g} was missed by "
            f"{nearest - half_width:.4g}",
        )
    return max(0.0, _edge(t, d, int(found[0]), half_width) - onset)


def last_entry(
    t: FloatArray, y: FloatArray, level: float, half_width: float, onset: float
) -> float:
    """Settling: seconds from `onset` to the last entry into level ± half_width, kept to the end.

    0 if the waveform never leaves the band after `onset`; NEVER_REACHED if it ends outside.
    Source: settling in IEEE Std 181-2011 (from memory), counted from the stated onset.
    """
    require(y, 1)
    d = y - level
    outside = np.flatnonzero(np.abs(d) > half_width)
    if not outside.size:
        return 0.0
    last = int(outside[-1])
    if last == d.size - 1:
        detail = f"at the end still {d[-1]:+.4g} from {level:.4g}, the band is ±{half_width:.4g}"
        raise Unmeasurable(Outcome.NEVER_REACHED, detail)
    return max(0.0, _edge(t, d, last + 1, half_width) - onset)


def _edge(t: FloatArray, d: FloatArray, i: int, half_width: float) -> float:
    """Time at which d, outside at i-1, meets the near edge of ±half_width on its way to d[i]."""
    if i == 0:
        return float(t[0])
    edge = half_width if d[i - 1] > 0.0 else -half_width
    share = (d[i - 1] - edge) / (d[i - 1] - d[i])
    return float(t[i - 1] + share * (t[i] - t[i - 1]))


def peak(t: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Largest sample and its time (the first of equals)."""
    require(y, 1)
    i = int(np.argmax(y))
    return float(y[i]), float(t[i])


def moving_mean(t: FloatArray, y: FloatArray, width: float) -> FloatArray:
    """Centred mean over `width` seconds around each sample, shorter at the ends; shape (n,).

    The mean is weighted by time, so irregular sampling does not bias it. Equivalent -3 dB
    bandwidth: 0.443 / width.
    """
    if y.size < 2 or width <= 0.0:
        return y.copy()
    dt = np.diff(t)
    area = np.concatenate(([0.0], np.cumsum(0.5 * (y[1:] + y[:-1]) * dt)))
    a = np.maximum(t - width / 2.0, t[0])
    b = np.minimum(t + width / 2.0, t[-1])
    span = b - a
    # A width below the resolution of the time axis leaves nothing to average.
    wide = span > 1e-9 * width
    mean = y.copy()
    area_between = _area_at(t, y, dt, area, b) - _area_at(t, y, dt, area, a)
    np.divide(area_between, span, out=mean, where=wide)
    return mean


def _area_at(
    t: FloatArray, y: FloatArray, dt: FloatArray, area: FloatArray, x: FloatArray
) -> FloatArray:
    """Integral of the piecewise linear y from t[0] to each x (inside the samples)."""
    i = np.clip(np.searchsorted(t, x, side="right") - 1, 0, t.size - 2)
    s = x - t[i]
    found: FloatArray = area[i] + s * (y[i] + 0.5 * s * (y[i + 1] - y[i]) / dt[i])
    return found


def mean(t: FloatArray, y: FloatArray) -> float:
    """Mean over time of the piecewise linear waveform; the plain value of a single sample."""
    require(y, 1)
    if y.size == 1:
        return float(y[0])
    return float(np.trapezoid(y, t) / (t[-1] - t[0]))


def full_means(t: FloatArray, y: FloatArray, width: float) -> FloatArray:
    """Moving means over the full `width` alone, shape (m,), m <= n + 2.

    Shorter ones at the ends are filtered less, and an extreme would be looked for among them. The
    first full one begins and the last one ends with the waveform, wherever the samples lie. With
    fewer than three full ones about samples, means about all samples are given.
    """
    return _full_course(t, y, width)[1]


def _full_course(t: FloatArray, y: FloatArray, width: float) -> tuple[FloatArray, FloatArray]:
    means = moving_mean(t, y, width)
    start, end = float(t[0]) + width / 2.0, float(t[-1]) - width / 2.0
    full = (t > start) & (t < end)
    if np.count_nonzero(full) < 3:
        return t, means
    first = _mean_between(t, y, float(t[0]), float(t[0]) + width)
    last = _mean_between(t, y, float(t[-1]) - width, float(t[-1]))
    at = np.concatenate(([start], t[full], [end]))
    return at, np.concatenate(([first], means[full], [last]))


def fine_means(t: FloatArray, y: FloatArray, width: float) -> FloatArray:
    """`full_means` of a smooth waveform, freed of what its samples miss; shape (m,), m <= 2 n.

    Straight lines between samples flatten every bend: a mean over them is off by a twelfth of its
    second difference (trapezoid rule), which is taken off; and an extreme lies between samples as a
    rule, so that the values half-way between two means (cubic through four) are given as well, in
    order. Samples that are not evenly spaced, or fewer than six full means, stay as `full_means`;
    the first and the last one may lie nearer to their neighbours.
    """
    return fine_course(t, y, width)[1]


def fine_course(t: FloatArray, y: FloatArray, width: float) -> tuple[FloatArray, FloatArray]:
    """Instants and values of `fine_means`; shape (m,) each."""
    at, plain = _full_course(t, y, width)
    if width <= 0.0 or plain.size < 8 or plain.size > t.size or not _even(np.diff(t)):
        return at, plain
    m = plain[1:-1].copy()
    m[1:-1] -= np.diff(m, 2) / 12.0
    times, found = (np.empty(2 * m.size - 1) for _ in range(2))
    found[::2], times[::2] = m, at[1:-1]
    found[1::2], times[1::2] = 0.5 * (m[:-1] + m[1:]), 0.5 * (at[1:-2] + at[2:-1])
    found[3:-3:2] = (9.0 * (m[1:-2] + m[2:-1]) - m[:-3] - m[3:]) / 16.0
    return (
        np.concatenate((at[:1], times, at[-1:])),
        np.concatenate((plain[:1], found, plain[-1:])),
    )


def _even(steps: FloatArray) -> bool:
    """Whether samples are evenly spaced, but for ends at which a window cut an interval."""
    inner = steps[1:-1]
    if not inner.size:
        return False
    usual = float(np.mean(inner))
    return float(np.ptp(inner)) <= 0.02 * usual and max(steps[0], steps[-1]) <= 1.02 * usual


def _mean_between(t: FloatArray, y: FloatArray, start: float, end: float) -> float:
    """Mean of the piecewise linear waveform over [start, end], which lies within the samples."""
    x = np.concatenate(([start], t[(t > start) & (t < end)], [end]))
    v = np.interp(x, t, y)
    return float(np.trapezoid(v, x) / (end - start)) if end > start else float(v[0])


def ripple(t: FloatArray, y: FloatArray, width: float) -> float:
    """Peak-to-peak value after a moving mean of `width` s, in % of the mean magnitude.

    Bandwidth 0.443 / width, and whatever the source of the samples has filtered already. Where the
    samples allow, only means over the full width count: shorter ones at the ends are filtered less.
    """
    require(y, 3)
    level = abs(mean(t, y))
    if level == 0.0:
        raise Unmeasurable(Outcome.NEVER_REACHED, "the mean is zero: no ripple in % of it")
    return 100.0 * float(np.ptp(full_means(t, y, width))) / level


def integral_of_square(t: FloatArray, y: FloatArray, start: float, end: float) -> float:
    """Integral of y squared over [start, end], exact for the piecewise linear waveform.

    Outside the samples the waveform keeps its first and last value.
    """
    require(y, 1)
    if end <= start:
        return 0.0
    inner = (t > start) & (t < end)
    x = np.concatenate(([start], t[inner], [end]))
    v = np.interp(x, t, y)
    a, b = v[:-1], v[1:]
    return float(np.sum(np.diff(x) * (a * a + a * b + b * b)) / 3.0)
