"""Capability of a measure: how the limits compare with the spread of repeated results.

Indices are estimates from a sample and carry intervals; twenty values leave Cp uncertain by about
a third. They presume independent, roughly normal values of a stable process.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri
from scipy.stats import chi2

from hil.verdicts.noncentral import noncentrality
from hil.verdicts.summary import Summary, checked, summarise

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Index:
    """An index with its two-sided interval."""

    value: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.value:.2f} ({self.low:.2f} to {self.high:.2f})"


@dataclass(frozen=True, slots=True)
class Capability:
    """Indices of one measure against its limits.

    Parameters
    ----------
    count, mean, deviation : of the sample.
    confidence : of the intervals (fraction).
    cp : (USL - LSL)/(6 s), None with one limit only.
    cpu, cpl : (USL - mean)/(3 s) and (mean - LSL)/(3 s), None without that limit.
    cpk : the smaller of the two, or the only one.
    off_centre : k = |m - mean|/((USL - LSL)/2) with m the middle of the limits, None with one
        limit. Cpk = Cp (1 - k).
    """

    count: int
    mean: float
    deviation: float
    confidence: float
    cp: Index | None
    cpu: Index | None
    cpl: Index | None
    cpk: Index
    off_centre: float | None


def capability(
    values: Sequence[float] | FloatArray,
    low: float | None,
    high: float | None,
    confidence: float = 0.95,
) -> Capability:
    """Capability of a sample against limits in the same unit; see `capability_of`.

    Raises
    ------
    ValueError
        As `capability_of`, and for values that are not finite.
    """
    return capability_of(summarise(checked(values, least=2)), low, high, confidence)


def capability_of(
    sample: Summary, low: float | None, high: float | None, confidence: float = 0.95
) -> Capability:
    """Capability from count, mean and standard deviation.

    Intervals: Cp exact, by the chi-squared distribution of s^2; a one-sided index exact, by the
    noncentral t distribution of 3 sqrt(n) Cpu; Cpk of two limits approximate, ± z
    sqrt(1/(9 n) + Cpk^2/(2 (n - 1))) (NIST e-Handbook 6.1.6, after Bissell 1990).

    Raises
    ------
    ValueError
        Without a limit, with limits in the wrong order, with less than two values, or without
        any spread (the indices would be infinite: the resolution is too coarse for them).
    """
    if sample.count < 2 or not sample.deviation > 0.0:
        raise ValueError("capability needs two values at least, and a spread above zero")
    if low is None and high is None:
        raise ValueError("capability needs a limit")
    if low is not None and high is not None and not low < high:
        raise ValueError(f"expected limits in order, found {low!r} and {high!r}")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"expected a confidence between 0 and 1, found {confidence!r}")
    step = 3.0 * sample.deviation
    cpu = None if high is None else _one_sided((high - sample.mean) / step, sample, confidence)
    cpl = None if low is None else _one_sided((sample.mean - low) / step, sample, confidence)
    cp, off_centre = None, None
    if low is not None and high is not None:
        cp = _potential((high - low) / (2.0 * step), sample.count, confidence)
        off_centre = abs(0.5 * (high + low) - sample.mean) / (0.5 * (high - low))
    if cpu is not None and cpl is not None:
        cpk = _two_limits(min(cpu.value, cpl.value), sample.count, confidence)
    else:
        only = cpu if cpu is not None else cpl
        assert only is not None
        cpk = only
    return Capability(
        sample.count, sample.mean, sample.deviation, confidence, cp, cpu, cpl, cpk, off_centre
    )


def _potential(value: float, count: int, confidence: float) -> Index:
    """Cp sqrt(chi2_(a/2)/(n - 1)) to Cp sqrt(chi2_(1-a/2)/(n - 1))."""
    freedom, tail = count - 1, 0.5 * (1.0 - confidence)
    low, high = (float(chi2.ppf(share, freedom)) for share in (tail, 1.0 - tail))
    return Index(value, value * math.sqrt(low / freedom), value * math.sqrt(high / freedom))


def _two_limits(value: float, count: int, confidence: float) -> Index:
    reach = float(ndtri(0.5 * (1.0 + confidence)))
    reach *= math.sqrt(1.0 / (9.0 * count) + value**2 / (2.0 * (count - 1)))
    return Index(value, value - reach, value + reach)


def _one_sided(value: float, sample: Summary, confidence: float) -> Index:
    """3 sqrt(n) times the estimate is noncentral t about 3 sqrt(n) times the true index."""
    scale, freedom, tail = 3.0 * math.sqrt(sample.count), sample.count - 1, 0.5 * (1 - confidence)
    found = value * scale
    low, high = (noncentrality(found, freedom, share) for share in (1.0 - tail, tail))
    return Index(value, low / scale, high / scale)
