"""Axes: which part of a quantity a plot shows, and where its ticks stand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from hil.report.numbers import fixed
from hil.report.site.views import FloatArray

#: A limit further off than so many heights of the data is told, not drawn.
_FAR = 1.5
_MARGIN = 0.06


@dataclass(frozen=True, slots=True)
class Axis:
    """A linear axis from `low` to `high`, ``low < high``; places are 0 to 1000, upward is 0."""

    low: float
    high: float

    def place(self, value: float) -> int:
        """Place of `value` from the top, 0 to 1000, at the edge if it lies beyond."""
        share = (self.high - value) / (self.high - self.low)
        return round(1000.0 * min(max(share, 0.0), 1.0))

    def places(self, values: FloatArray) -> list[int]:
        """Places of finite `values`."""
        share = (self.high - values) / (self.high - self.low)
        inside = np.minimum(np.maximum(share, 0.0), 1.0)
        found: list[int] = np.rint(1000.0 * inside).astype(np.int64).tolist()
        return found

    def holds(self, value: float) -> bool:
        """Whether `value` lies on it."""
        return self.low <= value <= self.high

    def ticks(self, most: int = 5) -> list[float]:
        """At most `most` round values, evenly spaced, rising."""
        step = _round_step((self.high - self.low) / most)
        first = math.ceil(self.low / step)
        found = [step * n for n in range(first, first + most + 1)]
        return [tick for tick in found if tick <= self.high][:most]


def tick_words(ticks: Sequence[float]) -> list[str]:
    """Ticks with the decimals that their step needs, so that no two read alike."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 0.0
    if not 1e-9 < step < 1e9:
        return [f"{tick:.6g}" for tick in ticks]
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    whole = step * 10.0**places
    return [fixed(tick, places + (abs(whole - round(whole)) > 1e-6)) for tick in ticks]


def axis(
    values: FloatArray, limits: FloatArray, least: float = 0.0
) -> tuple[Axis, tuple[float, ...]]:
    """An axis for `values` and those of `limits` that lie near them, and the limits left out.

    Parameters
    ----------
    values, limits : NaN is passed over; all may be NaN.
    least : what it spans at least, if the values vary at all.
    """
    finite = values[np.isfinite(values)]
    bounds = sorted(set(limits[np.isfinite(limits)].tolist()))
    if not finite.size:
        low, high = (bounds[0], bounds[-1]) if bounds else (0.0, 1.0)
        return _roomy(low, high), ()
    low, high = float(finite.min()), float(finite.max())
    lack = (least - (high - low)) / 2.0
    if high > low and lack > 0.0:
        low, high = low - lack, high + lack
    reach = _FAR * max(high - low, 0.02 * max(abs(low), abs(high)), 1e-12)
    near = [b for b in bounds if low - reach <= b <= high + reach]
    far = tuple(b for b in bounds if b not in near)
    return _roomy(min([low, *near]), max([high, *near])), far


def middle(values: FloatArray) -> float:
    """The median of finite values, at least one; `numpy.median` takes ten times as long for few."""
    ordered = np.sort(values)
    return float((ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2]) / 2.0)


def _roomy(low: float, high: float) -> Axis:
    """A little wider on both sides; never without width."""
    span = high - low
    if span <= 1e-12 * max(abs(low), abs(high), 1e-300):
        span = 0.1 * abs(low) or 1.0
        return Axis(low - span, high + span)
    return Axis(low - _MARGIN * span, high + _MARGIN * span)


def _round_step(least: float) -> float:
    """The smallest of 1, 2, 2.5, 5 times a power of ten that is not below `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    for factor in (1.0, 2.0, 2.5, 5.0):
        if factor * power >= least * (1.0 - 1e-9):
            return factor * power
    return 10.0 * power
