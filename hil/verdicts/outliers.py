"""Screening for outliers: it names suspects and their weight, and never removes a value.

A value that looks odd may be the very fault that is sought; only a person, with a cause found, may
set it aside.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import t as student

from hil.verdicts.summary import checked, summarise

FloatArray = npt.NDArray[np.float64]

#: Median absolute deviation to standard deviation, for normal values: 1/Phi^-1(3/4).
MAD_TO_SIGMA = 1.4826022185056018


@dataclass(frozen=True, slots=True)
class Grubbs:
    """Grubbs' test of the value farthest from the mean.

    Parameters
    ----------
    index, value : the farthest one.
    statistic : its distance from the mean in standard deviations.
    critical : what the statistic exceeds by chance in a share alpha of normal samples.
    suspect : whether it does.
    """

    index: int
    value: float
    statistic: float
    critical: float
    suspect: bool


def grubbs(
    values: Sequence[float] | FloatArray, alpha: float = 0.05, *, one_sided: bool = False
) -> Grubbs:
    """Grubbs' test for one outlier in normal values (NIST e-Handbook 1.3.5.17.1).

    G = max |x - mean|/s; critical (n - 1)/sqrt(n) sqrt(t^2/(n - 2 + t^2)) with t the upper
    alpha/(2 n) quantile of Student's distribution with n - 2 degrees of freedom. With `one_sided`
    the largest value alone is tested, at alpha/n.

    Raises
    ------
    ValueError
        For less than three values, values that are not finite, or an alpha outside (0, 1).
    """
    found = checked(values, least=3)
    if not 0.0 < alpha < 1.0:
        raise ValueError(f"expected a level between 0 and 1, found {alpha!r}")
    sample = summarise(found)
    away = found - sample.mean if one_sided else np.abs(found - sample.mean)
    index = int(np.argmax(away))
    count = sample.count
    statistic = float(away[index]) / sample.deviation if sample.deviation > 0.0 else 0.0
    quantile = float(student.isf(alpha / (count if one_sided else 2 * count), count - 2))
    critical = (count - 1) / math.sqrt(count)
    critical *= math.sqrt(quantile**2 / (count - 2 + quantile**2))
    return Grubbs(index, float(found[index]), statistic, critical, statistic > critical)


@dataclass(frozen=True, slots=True, eq=False)
class Screening:
    """Robust distances of all values, and which of them are suspect.

    Parameters
    ----------
    scores : shape (n,): (x - median) in robust standard deviations.
    median, sigma : robust location and spread, in the unit of the values.
    suspects : indices, in order of position.
    """

    scores: FloatArray
    median: float
    sigma: float
    suspects: tuple[int, ...]


def screen(
    values: Sequence[float] | FloatArray, threshold: float = 3.5, resolution: float = 0.0
) -> Screening:
    """Distances from the median in units of the scaled median absolute deviation.

    Parameters
    ----------
    threshold : a value farther than this is suspect; 3.5 is common practice (NIST e-Handbook
        1.3.5.17, modified z-score; from memory).
    resolution : smallest difference the data could have shown. The spread is taken as no smaller
        than resolution/sqrt(12), so that one step of a quiet, coarse signal is no outlier.

    Raises
    ------
    ValueError
        For values that are not finite, or a threshold that is not positive.

    Notes
    -----
    If more than half of the values are equal and there is no resolution, the spread is 0 and every
    other value is suspect (score infinite).
    """
    found = checked(values)
    if not threshold > 0.0 or resolution < 0.0:
        raise ValueError(f"no such screening: threshold {threshold!r}, resolution {resolution!r}")
    median = float(np.median(found))
    away = found - median
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(away)))
    sigma = max(sigma, resolution / math.sqrt(12.0))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        scores = np.where(away == 0.0, 0.0, away / sigma)
    suspects = tuple(int(index) for index in np.flatnonzero(np.abs(scores) > threshold))
    return Screening(scores, median, sigma, suspects)
