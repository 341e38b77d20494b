"""Two samples compared: forward against reverse, Hall against back-EMF, build against build.

Three findings are possible. *Different*: the difference exceeds the smallest one that matters, and
chance does not explain it. *Alike*: it is shown to be smaller than that (two one-sided tests).
*Open*: the data shows neither; it is not a finding of no difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from hil.verdicts.multiplicity import benjamini_hochberg
from hil.verdicts.ranks import mann_whitney_tail, shift_interval, wins
from hil.verdicts.summary import checked, summarise

FloatArray = npt.NDArray[np.float64]

#: With fewer values than this in either sample normality cannot be leant on: ranks are used.
SMALL = 10
#: Level of the two one-sided tests for likeness.
ALIKE_LEVEL = 0.05


class Finding(StrEnum):
    """What two samples show about each other."""

    DIFFERENT = "different"
    ALIKE = "alike"
    OPEN = "open"


class Method(StrEnum):
    """How the difference was judged."""

    WELCH = "Welch"  # means, unequal variances
    RANKS = "Mann-Whitney"  # shift of one distribution against the other


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Two samples of one measure.

    Parameters
    ----------
    name : of the measure and what is compared.
    first, second : values in one unit, in any order, at least two each.
    minimum : smallest difference that matters, in the unit of the values; 0 if any does.
    resolution : smallest difference the data could have shown; it bounds the spread from below.
    """

    name: str
    first: Sequence[float] | FloatArray
    second: Sequence[float] | FloatArray
    minimum: float = 0.0
    resolution: float = 0.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """The second sample against the first.

    Parameters
    ----------
    counts : sizes of the samples.
    difference : second less first: of the means, or the median of all differences of pairs.
    low, high : 95 % interval of the difference; infinite if the samples are too small for one.
    effect : difference in pooled standard deviations with Hedges' small-sample factor (Welch), or
        Cliff's delta, P(second > first) - P(second < first) (ranks).
    p : probability of so large a difference if the true one were no larger than `minimum`; NaN if
        neither sample has any spread.
    adjusted : `p` corrected for the family it belongs to; equal to `p` on its own.
    """

    name: str
    counts: tuple[int, int]
    difference: float
    low: float
    high: float
    effect: float
    minimum: float
    method: Method
    p: float
    adjusted: float
    finding: Finding


def compare(pair: Pair, level: float = 0.05, method: Method | None = None) -> Comparison:
    """Compare two samples on their own; see `compare_all` for many.

    Parameters
    ----------
    level : largest p called different.
    method : None for ranks if either sample is `SMALL`, else Welch.

    Raises
    ------
    ValueError
        For less than two values, values that are not finite, or a negative size or resolution.
    """
    first, second = checked(pair.first, least=2), checked(pair.second, least=2)
    if not (pair.minimum >= 0.0 and pair.resolution >= 0.0):
        raise ValueError(f"{pair.name}: sizes are not negative")
    if method is None:
        method = Method.RANKS if min(first.size, second.size) < SMALL else Method.WELCH
    judge = _welch if method is Method.WELCH else _ranks
    found, alike = judge(pair, first, second)
    finding = Finding.ALIKE if alike else Finding.OPEN
    return replace(found, finding=Finding.DIFFERENT if found.p <= level else finding)


def compare_all(
    pairs: Iterable[Pair], false_share: float = 0.05, method: Method | None = None
) -> tuple[Comparison, ...]:
    """Compare a family of samples, holding down the share of false findings.

    Parameters
    ----------
    false_share : expected share of false ones among those called different (Benjamini-Hochberg).

    Raises
    ------
    ValueError
        As `compare`.
    """
    alone = [compare(pair, -1.0, method) for pair in pairs]
    adjusted = benjamini_hochberg([one.p for one in alone])
    return tuple(
        replace(
            one,
            adjusted=float(q),
            finding=Finding.DIFFERENT if q <= false_share else one.finding,
        )
        for one, q in zip(alone, adjusted, strict=True)
    )


def _welch(pair: Pair, first: FloatArray, second: FloatArray) -> tuple[Comparison, bool]:
    """Welch's t with Welch-Satterthwaite freedom.

    p = P(T >= (|d| - m)/se) + P(T >= (|d| + m)/se) for a smallest size m (0 gives the usual p).
    """
    a, b = summarise(first), summarise(second)
    least = pair.resolution**2 / 12.0
    spread_a, spread_b = max(a.deviation**2, least), max(b.deviation**2, least)
    part_a, part_b = spread_a / a.count, spread_b / b.count
    error = math.sqrt(part_a + part_b)
    difference = b.mean - a.mean
    base = Comparison(
        pair.name, (a.count, b.count), difference, -math.inf, math.inf, math.nan, pair.minimum,
        Method.WELCH, math.nan, math.nan, Finding.OPEN,
    )  # fmt: skip
    if error == 0.0:
        return base, False
    share = part_a / (part_a + part_b)  # a ratio first: squares of small variances underflow
    freedom = 1.0 / (share**2 / (a.count - 1) + (1.0 - share) ** 2 / (b.count - 1))
    size = abs(difference)
    # Half of each tail for |d| <= m keeps p at most 1 without a smallest size.
    p = float(student.sf((size - pair.minimum) / error, freedom))
    p += float(student.sf((size + pair.minimum) / error, freedom))
    reach = float(student.isf(0.025, freedom)) * error
    narrow = float(student.isf(ALIKE_LEVEL, freedom)) * error
    pooled = math.sqrt(0.5 * (spread_a + spread_b))
    hedges = 1.0 - 3.0 / (4.0 * (a.count + b.count - 2) - 1.0)
    found = replace(
        base, low=difference - reach, high=difference + reach,
        effect=hedges * difference / pooled, p=min(1.0, p), adjusted=min(1.0, p),
    )  # fmt: skip
    return found, size + narrow <= pair.minimum and pair.minimum > 0.0


def _ranks(pair: Pair, first: FloatArray, second: FloatArray) -> tuple[Comparison, bool]:
    """Exact Mann-Whitney tests of a shift by more than the smallest size, up or down."""
    up, ties = wins(second, first)
    total = first.size * second.size
    difference, low, high = shift_interval(first, second, 0.95)
    _middle, near_low, near_high = shift_interval(first, second, 1.0 - 2.0 * ALIKE_LEVEL)
    p = mann_whitney_tail(second, first, pair.minimum)
    p = min(p, mann_whitney_tail(first, second, pair.minimum))
    p = min(1.0, 2.0 * p)
    alike = -pair.minimum <= near_low and near_high <= pair.minimum and pair.minimum > 0.0
    effect = (2.0 * up + ties) / total - 1.0
    return Comparison(
        pair.name, (int(first.size), int(second.size)), difference, low, high, effect, pair.minimum,
        Method.RANKS, p, p, Finding.OPEN,
    ), alike  # fmt: skip
