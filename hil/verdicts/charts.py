"""Control charts: is a series of results still the process it was?

All limits are at `width` standard deviations, 3 unless said otherwise. A point is out if it lies
beyond a limit; on it is in. Sources: NIST e-Handbook 6.3.2 and 6.3.3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.integrate import dblquad, quad
from scipy.special import gammaln, ndtr

from hil.verdicts.summary import checked

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """A plotted series with its limits.

    Parameters
    ----------
    points, low, high : shape (n,), in the unit of the chart.
    centre : target or mean.
    """

    points: FloatArray
    low: FloatArray
    high: FloatArray
    centre: float

    @property
    def out(self) -> tuple[int, ...]:
        """Indices of the points beyond a limit."""
        beyond = (self.points < self.low) | (self.points > self.high)
        return tuple(int(index) for index in np.flatnonzero(beyond))


@lru_cache(maxsize=64)
def d2(size: int) -> float:
    """Mean range of `size` standard normal values: integral of 1 - Phi^n - (1 - Phi)^n.

    Raises
    ------
    ValueError
        For less than two values.
    """
    _check_size(size)
    found, _ = quad(lambda x: 1.0 - ndtr(x) ** size - ndtr(-x) ** size, 0.0, 12.0, epsabs=1e-13)
    return 2.0 * float(found)


@lru_cache(maxsize=64)
def d3(size: int) -> float:
    """Standard deviation of the range of `size` standard normal values.

    E[R^2] = 2 double integral over x < y of 1 - Phi(y)^n - (1 - Phi(x))^n + (Phi(y) - Phi(x))^n.

    Raises
    ------
    ValueError
        For less than two values.
    """
    _check_size(size)

    def inner(x: float, y: float) -> float:
        value = 1.0 - ndtr(y) ** size - ndtr(-x) ** size + (ndtr(y) - ndtr(x)) ** size
        return float(value)

    found, _ = dblquad(inner, -9.0, 9.0, -9.0, lambda y: y, epsabs=1e-9)
    return math.sqrt(2.0 * float(found) - d2(size) ** 2)


def c4(size: int) -> float:
    """Mean of s over sigma for `size` normal values: sqrt(2/(n-1)) Gamma(n/2)/Gamma((n-1)/2).

    Raises
    ------
    ValueError
        For less than two values.
    """
    _check_size(size)
    ratio = math.exp(float(gammaln(size / 2.0)) - float(gammaln((size - 1) / 2.0)))
    return math.sqrt(2.0 / (size - 1)) * ratio


def a2(size: int) -> float:
    """3/(d2 sqrt(n)): mean range of subgroups to the three-sigma limits of their means."""
    return 3.0 / (d2(size) * math.sqrt(size))


def _check_size(size: int) -> None:
    if size < 2:
        raise ValueError(f"a subgroup has two values at least, found {size}")


@dataclass(frozen=True, slots=True, eq=False)
class Individuals:
    """Chart of single values, and of the moving ranges that its limits come from.

    `ranges` has one point fewer than `values`; `sigma` is mean range over d2.
    """

    values: Chart
    ranges: Chart
    sigma: float


def individuals(
    values: Sequence[float] | FloatArray, width: float = 3.0, mean_range_factor: float = 0.0
) -> Individuals:
    """Chart of individual values with limits mean ± width mean(|x_i - x_(i-1)|)/d2.

    Parameters
    ----------
    mean_range_factor : d2 for ranges of two, if it is to be a rounded one as in printed tables.

    Raises
    ------
    ValueError
        For less than two values, or values that are not finite.
    """
    found = checked(values, least=2)
    moving = np.abs(np.diff(found))
    mean_range, centre = float(np.mean(moving)), float(np.mean(found))
    sigma = mean_range / (mean_range_factor or d2(2))
    upper = mean_range * (1.0 + width * d3(2) / d2(2))
    lower = max(0.0, mean_range * (1.0 - width * d3(2) / d2(2)))
    return Individuals(
        _level(found, centre, width * sigma),
        Chart(moving, np.full_like(moving, lower), np.full_like(moving, upper), mean_range),
        sigma,
    )


def ewma(
    values: Sequence[float] | FloatArray,
    target: float,
    sigma: float,
    weight: float = 0.3,
    width: float = 3.0,
    *,
    settled: bool = False,
) -> Chart:
    """Exponentially weighted moving average: z_i = w x_i + (1 - w) z_(i-1), z_0 = target.

    Limits: target ± width sigma sqrt(w/(2 - w) (1 - (1 - w)^(2 i))), or with `settled` their limit
    for large i throughout.

    Raises
    ------
    ValueError
        For a weight outside (0, 1], a negative sigma, or values that are not finite.
    """
    found = checked(values)
    if not 0.0 < weight <= 1.0 or not 0.0 <= sigma < math.inf:
        raise ValueError(f"no such average: weight {weight!r}, sigma {sigma!r}")
    points, last = np.empty_like(found), target
    for index, value in enumerate(found):
        last = weight * float(value) + (1.0 - weight) * last
        points[index] = last
    share = np.ones_like(found)
    if not settled:
        share -= (1.0 - weight) ** (2.0 * np.arange(1.0, found.size + 1.0))
    reach = width * sigma * np.sqrt(weight / (2.0 - weight) * share)
    return Chart(points, target - reach, target + reach, target)


@dataclass(frozen=True, slots=True, eq=False)
class Cusum:
    """Tabular cumulative sums.

    Parameters
    ----------
    high, low : shape (n,): sums of deviations above and below the target, both not negative.
    limit : h.
    signal : index of the first point whose sum exceeds h, or None.
    """

    high: FloatArray
    low: FloatArray
    limit: float
    signal: int | None


def cusum(values: Sequence[float] | FloatArray, target: float, slack: float, limit: float) -> Cusum:
    """Tabular CUSUM: S_hi = max(0, S_hi + x - target - k), S_lo = max(0, S_lo + target - k - x).

    Parameters
    ----------
    slack, limit : k and h in the unit of the values, often 0.5 and 4 to 5 standard deviations.

    Raises
    ------
    ValueError
        For a negative slack, a limit that is not positive, or values that are not finite.
    """
    found = checked(values)
    if slack < 0.0 or not limit > 0.0:
        raise ValueError(f"no such chart: slack {slack!r}, limit {limit!r}")
    above, below = np.empty_like(found), np.empty_like(found)
    up = down = 0.0
    for index, value in enumerate(found):
        up = max(0.0, up + float(value) - target - slack)
        down = max(0.0, down + target - slack - float(value))
        above[index], below[index] = up, down
    beyond = np.flatnonzero((above > limit) | (below > limit))
    return Cusum(above, below, limit, int(beyond[0]) if beyond.size else None)


def counts(found: Sequence[int], width: float = 3.0) -> Chart:
    """c chart of counts per equal stretch: mean ± width sqrt(mean), not below 0 (Poisson).

    Raises
    ------
    ValueError
        Without counts, or if one is negative.
    """
    numbers = checked(np.asarray(found, dtype=np.float64))
    if bool(np.any(numbers < 0.0)):
        raise ValueError("counts are not negative")
    centre = float(np.mean(numbers))
    chart = _level(numbers, centre, width * math.sqrt(centre))
    return Chart(chart.points, np.maximum(chart.low, 0.0), chart.high, centre)


def proportions(failed: Sequence[int], trials: int, width: float = 3.0) -> Chart:
    """p chart of failed shares of `trials` each: p ± width sqrt(p (1 - p)/trials), within 0 to 1.

    Raises
    ------
    ValueError
        If a count is negative or above `trials`.
    """
    numbers = checked(np.asarray(failed, dtype=np.float64))
    if trials < 1 or bool(np.any((numbers < 0.0) | (numbers > trials))):
        raise ValueError(f"failures must lie between 0 and the {trials} trials")
    shares = numbers / trials
    centre = float(np.mean(shares))
    chart = _level(shares, centre, width * math.sqrt(centre * (1.0 - centre) / trials))
    return Chart(chart.points, np.maximum(chart.low, 0.0), np.minimum(chart.high, 1.0), centre)


def _level(points: FloatArray, centre: float, reach: float) -> Chart:
    return Chart(
        points, np.full_like(points, centre - reach), np.full_like(points, centre + reach), centre
    )
