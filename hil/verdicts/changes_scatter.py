"""Repeats within a night and nights among each other: two scatters, told apart.

Ten repeats of one night say how well the night's mean is known, and nothing about how much nights
differ. A change between builds has to be held against the latter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class NightMeans:
    """Nights as their repeats have them; all arrays have one entry a night, shape (n,).

    Parameters
    ----------
    mean : NaN where no repeat has a value.
    count : repeats with a value.
    scatter : standard deviation of the repeats, NaN for fewer than two.
    """

    mean: FloatArray
    count: IntArray
    scatter: FloatArray

    @property
    def within(self) -> float:
        """Standard deviation of repeats about the mean of their night, all nights pooled.

        NaN without a night of two repeats. Degrees of freedom weigh: nights with more repeats
        count more.
        """
        free = np.maximum(self.count - 1, 0)
        if not int(free.sum()):
            return math.nan
        squares = np.where(free > 0, free * np.nan_to_num(self.scatter) ** 2, 0.0)
        return math.sqrt(float(squares.sum()) / int(free.sum()))

    def between(self, scatter: float) -> float:
        """Standard deviation of nights beyond what the scatter of their repeats explains.

        s_b^2 = s^2 - s_w^2 mean(1/k), not below 0: expectation of the mean squares of a one-way
        analysis of variance (JCGM 100:2008, H.5), for nights of k repeats each.

        Parameters
        ----------
        scatter : standard deviation s of the means of nights about their levels; NaN gives NaN.
        """
        made = self.count > 0
        within = self.within
        if math.isnan(within) or not bool(made.any()):
            return scatter
        explained = within**2 * float(np.mean(1.0 / self.count[made]))
        return math.sqrt(max(0.0, scatter**2 - explained)) if scatter >= 0.0 else math.nan


def night_means(night: IntArray, value: FloatArray, nights: int) -> NightMeans:
    """Repeats summed up by night.

    Parameters
    ----------
    night : shape (k,), the night each figure belongs to, 0 to `nights` - 1.
    value : shape (k,), NaN where a repeat has no value.

    Raises
    ------
    ValueError
        If the shapes differ, or a figure belongs to no night.
    """
    if night.shape != value.shape or night.ndim != 1:
        raise ValueError(f"shapes differ: nights {night.shape}, values {value.shape}")
    if night.size and (int(night.min()) < 0 or int(night.max()) >= nights):
        raise ValueError(f"a figure of night {night.min()} or {night.max()} of {nights}")
    known = ~np.isnan(value)
    at, y = night[known], value[known]
    count = np.bincount(at, minlength=nights)
    # About one of its own figures a night keeps its digits, however large its values are.
    first = np.zeros(nights)
    first[at[::-1]] = y[::-1]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = first + np.bincount(at, weights=y - first[at], minlength=nights) / count
        away = np.bincount(at, weights=(y - mean[at]) ** 2, minlength=nights)
        scatter = np.where(count > 1, np.sqrt(away / np.maximum(count - 1, 1)), math.nan)
    return NightMeans(np.where(count > 0, mean, math.nan), count, scatter)
