"""Tolerance intervals: limits that hold a stated share of all values, with stated confidence.

`coverage` is the share of the population and `confidence` the probability, over repeated samples,
that the interval holds it; both are fractions. Normal factors k give mean ± k s (or mean + k s);
distribution-free limits are extreme values of the sample and need no assumption but independence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import bdtr, ndtr, ndtri
from scipy.stats import chi2

from hil.verdicts.noncentral import noncentral_t_quantile
from hil.verdicts.summary import checked, summarise

FloatArray = npt.NDArray[np.float64]

#: No sample size is searched for beyond this.
MOST_VALUES = 10_000_000


class Sides(StrEnum):
    """Which limits are wanted."""

    BOTH = "both"
    UPPER = "upper"
    LOWER = "lower"


@dataclass(frozen=True, slots=True)
class ToleranceInterval:
    """Limits in the unit of the values (None on a side that was not asked for), and their claim.

    `confidence` is what the interval attains: for distribution-free limits it may exceed the one
    that was asked for.
    """

    low: float | None
    high: float | None
    coverage: float
    confidence: float
    method: str


def _check(count: int, coverage: float, confidence: float) -> None:
    if count < 2:
        raise ValueError(f"a tolerance interval needs two values at least, found {count}")
    if not (0.0 < coverage < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(f"expected shares between 0 and 1, found {coverage!r}, {confidence!r}")


@lru_cache(maxsize=1024)
def one_sided_factor(count: int, coverage: float, confidence: float) -> float:
    """Exact k for one limit: noncentral-t quantile(confidence; n - 1, z_p sqrt(n)) / sqrt(n).

    Source: NIST e-Handbook 7.2.6.3.

    Raises
    ------
    ValueError
        For less than two values, or shares that are none.
    """
    _check(count, coverage, confidence)
    root = math.sqrt(count)
    return noncentral_t_quantile(confidence, count - 1, root * float(ndtri(coverage))) / root


def one_sided_factor_approximate(count: int, coverage: float, confidence: float) -> float:
    """Approximate k for one limit without a noncentral t (NIST e-Handbook 7.2.6.3).

    k = (z_p + sqrt(z_p^2 - a b)) / a, a = 1 - z_c^2/(2(n - 1)), b = z_p^2 - z_c^2/n.

    Raises
    ------
    ValueError
        As `one_sided_factor`, and for samples too small for it (a not above 0).
    """
    _check(count, coverage, confidence)
    share, sure = float(ndtri(coverage)), float(ndtri(confidence))
    a = 1.0 - sure**2 / (2.0 * (count - 1))
    b = share**2 - sure**2 / count
    if a <= 0.0 or share**2 < a * b:
        raise ValueError(f"the approximation does not hold for {count} values")
    return (share + math.sqrt(share**2 - a * b)) / a


def howe_factor(count: int, coverage: float, confidence: float) -> float:
    """Howe's approximate k for two limits (NIST e-Handbook 7.2.6.3).

    k = z_((1+p)/2) sqrt((n - 1)(1 + 1/n) / chi2_(1-confidence, n-1)).

    Raises
    ------
    ValueError
        As `one_sided_factor`.
    """
    _check(count, coverage, confidence)
    freedom = count - 1
    low = float(chi2.ppf(1.0 - confidence, freedom))
    return float(ndtri(0.5 * (1.0 + coverage))) * math.sqrt(freedom * (1.0 + 1.0 / count) / low)


@lru_cache(maxsize=1024)
def two_sided_factor(count: int, coverage: float, confidence: float) -> float:
    """Exact k for two limits, symmetric about the mean, by numerical integration.

    Solves 2 sqrt(n/(2 pi)) integral_0^inf P(chi2_(n-1) > (n - 1) r(x)^2/k^2) exp(-n x^2/2) dx =
    confidence, where Phi(x + r) - Phi(x - r) = coverage (Krishnamoorthy and Mathew 2009, ch. 2;
    place from memory).

    Raises
    ------
    ValueError
        As `one_sided_factor`.
    """
    _check(count, coverage, confidence)
    nodes, weights = np.polynomial.legendre.leggauss(80)
    # x in units of 1/sqrt(n) from 0 to 9: beyond, the normal density is below 1e-17.
    spans = 4.5 * (nodes + 1.0)
    density = 4.5 * weights * 2.0 * np.exp(-0.5 * spans**2) / math.sqrt(2.0 * math.pi)
    radius = _radius(spans / math.sqrt(count), coverage)
    freedom = count - 1

    def missing(factor: float) -> float:
        inside = chi2.sf(freedom * (radius / factor) ** 2, freedom)
        return float(np.dot(density, inside)) - confidence

    start = howe_factor(count, coverage, confidence)
    return float(brentq(missing, 0.2 * start, 5.0 * start, xtol=1e-10, rtol=1e-12))


def _radius(offset: FloatArray, coverage: float) -> FloatArray:
    """Half-width r of an interval about `offset` that holds `coverage` of a standard normal."""
    low = np.zeros_like(offset)
    high = offset + float(ndtri(0.5 * (1.0 + coverage)))
    for _ in range(60):
        middle = 0.5 * (low + high)
        short = ndtr(offset + middle) - ndtr(offset - middle) < coverage
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(0.5 * (low + high))


def normal_interval(
    values: Sequence[float] | FloatArray, coverage: float, confidence: float, sides: Sides
) -> ToleranceInterval:
    """Tolerance interval of a normal population, with exact factors.

    Raises
    ------
    ValueError
        For less than two values, values that are not finite, or shares that are none.
    """
    found = summarise(checked(values, least=2))
    if sides is Sides.BOTH:
        factor = two_sided_factor(found.count, coverage, confidence)
    else:
        factor = one_sided_factor(found.count, coverage, confidence)
    reach = factor * found.deviation
    return ToleranceInterval(
        None if sides is Sides.UPPER else found.mean - reach,
        None if sides is Sides.LOWER else found.mean + reach,
        coverage,
        confidence,
        f"normal, k = {factor:.4g}",
    )


def free_confidence(count: int, coverage: float, sides: Sides, dropped: int = 0) -> float:
    """Confidence that the extremes of `count` values hold `coverage` of any population.

    The n values part the population into n + 1 gaps. With the `dropped` outermost values of each
    wanted side left out, m = n + 1 - (dropped + 1) per side of them lie between the limits; their
    share is Beta(m, n - m + 1), and the confidence P(Binomial(n, p) <= m - 1) (Wilks 1941; from
    memory).

    Raises
    ------
    ValueError
        If nothing is left between the limits.
    """
    gaps = count + 1 - (2 if sides is Sides.BOTH else 1) * (dropped + 1)
    if gaps < 1 or dropped < 0:
        raise ValueError(f"{count} values without {dropped} on a side leave no interval")
    return float(bdtr(float(gaps - 1), count, coverage))


def free_size(coverage: float, confidence: float, sides: Sides) -> int:
    """Fewest values whose extremes are distribution-free tolerance limits.

    Raises
    ------
    ValueError
        For shares that are none, or if it takes more than `MOST_VALUES`.
    """
    _check(2, coverage, confidence)
    low, high = (2 if sides is Sides.BOTH else 1), 4
    while free_confidence(high, coverage, sides) < confidence - 1e-12:
        low, high = high, 2 * high
        if high > MOST_VALUES:
            raise ValueError(f"coverage {coverage!r} takes more than {MOST_VALUES} values")
    while low < high:
        middle = (low + high) // 2
        if free_confidence(middle, coverage, sides) < confidence - 1e-12:
            low = middle + 1
        else:
            high = middle
    return low


def free_interval(
    values: Sequence[float] | FloatArray, coverage: float, confidence: float, sides: Sides
) -> ToleranceInterval | None:
    """Distribution-free tolerance interval, or None if the sample is too small for the claim.

    As many outermost values as the confidence allows are left out on each wanted side.

    Raises
    ------
    ValueError
        For values that are not finite, or shares that are none.
    """
    found = np.sort(checked(values, least=2))
    count = int(found.size)
    _check(count, coverage, confidence)
    if free_confidence(count, coverage, sides) < confidence - 1e-12:
        return None
    dropped = 0
    per_side = 2 if sides is Sides.BOTH else 1
    while (
        per_side * (dropped + 2) <= count
        and free_confidence(count, coverage, sides, dropped + 1) >= confidence - 1e-12
    ):
        dropped += 1
    return ToleranceInterval(
        None if sides is Sides.UPPER else float(found[dropped]),
        None if sides is Sides.LOWER else float(found[-1 - dropped]),
        coverage,
        free_confidence(count, coverage, sides, dropped),
        f"distribution-free, {dropped} outermost left out" if dropped else "distribution-free",
    )
