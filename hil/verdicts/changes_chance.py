"""What chance alone does to a series of nights: scores, memory, and the tail of the clearest split.

Nothing is presumed about the distribution of a measure. Each night counts by its rank, turned into
the value that a normal distribution would have there (van der Waerden, Blom). One absurd night then
moves a mean no more than the largest of so many nights ever does, and the chance of a false alarm
does not depend on what the results are like, as long as the order of the nights means nothing.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from hil.verdicts.roots import root

FloatArray = npt.NDArray[np.float64]

#: Memory from night to night is reckoned with up to here; above, a history says little.
MOST_MEMORY = 0.9


def normal_scores(nights: FloatArray) -> FloatArray:
    """Ranks as normal values: Phi^-1((r - 3/8)/(n + 1/4)), times what makes their variance 1.

    Equal nights share their mean rank, and are then not scaled up: a measure that hardly ever
    varies stays quiet.

    Parameters
    ----------
    nights : shape (n,), finite.

    Returns
    -------
    array of shape (n,), mean 0, variance 1 without equal nights and less with them.
    """
    if nights.size < 2:
        return np.zeros(nights.shape)
    scores = ndtri((ranks(nights) - 0.375) / (nights.size + 0.25))
    return np.asarray((scores - scores.mean()) / _spread(nights.size), dtype=np.float64)


def ranks(nights: FloatArray) -> FloatArray:
    """Ranks from 1, equal nights with the mean of theirs; shape (n,), finite."""
    order = np.argsort(nights, kind="stable")
    ordered = nights[order]
    risen = np.flatnonzero(ordered[1:] != ordered[:-1]) + 1
    found = np.empty(nights.size)
    if risen.size == nights.size - 1:
        found[order] = np.arange(1.0, nights.size + 1.0)
    else:
        edges = np.concatenate([[0], risen, [nights.size]])
        found[order] = np.repeat((edges[1:] + edges[:-1] + 1) / 2.0, np.diff(edges))
    return found


@lru_cache(maxsize=4096)
def _spread(size: int) -> float:
    """Standard deviation of the scores of `size` different nights."""
    ranks = np.arange(1.0, size + 1.0)
    return float(np.std(ndtri((ranks - 0.375) / (size + 0.25)), ddof=1))


def running_scores(nights: FloatArray) -> FloatArray:
    """Each night by its rank among those up to it: Phi^-1((r - 1/2)/i), equal ones sharing ranks.

    Without a change these are independent and nearly standard normal, whatever the distribution
    (sequential ranks: Barndorff-Nielsen 1963; normal scores of them: Conover, Tercero-Gomez and
    Cordero-Franco 2017; both from memory).

    Parameters
    ----------
    nights : shape (n,), finite.

    Returns
    -------
    array of shape (n,); the first is 0.
    """
    order = np.tri(nights.size, k=0, dtype=bool)
    less = ((nights[:, None] > nights[None, :]) & order).sum(axis=1)
    same = ((nights[:, None] == nights[None, :]) & order).sum(axis=1)
    rank = less + (same + 1.0) / 2.0
    return np.asarray(ndtri((rank - 0.5) / np.arange(1.0, nights.size + 1.0)), dtype=np.float64)


def memory(scores: FloatArray) -> float:
    """How much a night resembles the one before: lag-one autocorrelation, untouched by changes.

    From differences over one and two nights: if e follows e_i = r e_(i-1) + noise, their mean
    squares are in the ratio 1 + r. A step spoils one of the first and two of the second; of both
    the largest few are left out, as many for so many nights as steps may be expected to spoil.
    Freed of its bias, about (1 - 4 r)/n by simulation.

    Parameters
    ----------
    scores : shape (n,), see `normal_scores`.

    Returns
    -------
    float
        At most `MOST_MEMORY`; a negative one is what chance makes of none, and good for a mean.
    """
    n = scores.size
    spoilt = 2 * (1 + n // 60)
    if n < spoilt + 4:
        return 0.0
    one, two = (
        float(np.mean(np.sort((scores[lag:] - scores[:-lag]) ** 2)[:-spoilt])) for lag in (1, 2)
    )
    if one <= 0.0:
        return 0.0
    r = two / one - 1.0
    return min(MOST_MEMORY, r + (4.0 * r - 1.0) / n)


def inflation(r: float) -> float:
    """By how much memory `r` widens the variance of the mean of many nights: (1 + r)/(1 - r).

    At least 1: a negative memory is not made use of.
    """
    return max(1.0, (1.0 + r) / (1.0 - r))


def chance_of_split(clearest: float, nights: int, least: int) -> float:
    """Probability that the clearest split of healthy nights is at least so clear.

    The statistic is the largest over all splits, with `least` nights on either side, of the
    difference of the two means over its standard deviation. For normal nights of known variance

        p = 2 (1 - Phi(b)) + b phi(b) integral of v(b/sqrt(n u (1 - u)))/(u (1 - u)) du

    (James, James and Siegmund, Biometrika 74, 1987; from memory; held against simulation in the
    tests), v(x) being the correction for whole nights. Scores of ranks have lighter tails.

    Parameters
    ----------
    clearest : b, not negative.
    nights : n.
    least : nights on either side of a split, at least 1.

    Returns
    -------
    float
        Within 0 to 1; 1 where there is no split.

    Raises
    ------
    ValueError
        For a negative or undefined statistic.
    """
    if not clearest >= 0.0:
        raise ValueError(f"no such split: {clearest!r}")
    if nights < 2 * least:
        return 1.0
    # One term a split; a sum is nearer to the truth than the integral for few nights.
    where = np.arange(least, nights - least + 1, dtype=np.float64)
    spread = where * (nights - where) / nights
    steps = float(np.sum(_whole_nights(clearest / np.sqrt(spread)) / spread)) - 0.5 * float(
        (_whole_nights(clearest / np.sqrt(spread[[0, -1]])) / spread[[0, -1]]).sum()
    )
    density = math.exp(-0.5 * clearest * clearest) / math.sqrt(2.0 * math.pi)
    return min(1.0, 2.0 * float(ndtr(-clearest)) + clearest * density * steps)


def _whole_nights(x: FloatArray) -> FloatArray:
    """Siegmund's v(x), in the form of Siegmund and Yakir (2007): 1 at 0, falling with x."""
    half = np.maximum(x, 1e-9) / 2.0
    density = np.exp(-0.5 * half * half) / math.sqrt(2.0 * math.pi)
    return np.asarray((ndtr(half) - 0.5) / half / (half * ndtr(half) + density), dtype=np.float64)


def as_normal(split: FloatArray, nights: int) -> FloatArray:
    """The split statistic of scores as the normal value with the same tail.

    The sum of squares of n scores is fixed, so that no split can exceed sqrt(n - 1). A normal
    sample scaled to a fixed sum of squares has the same bound, and there R^2 = Z^2/(n - 1) is that
    of a two-sample t with n - 2 degrees of freedom. With it `chance_of_split` holds within a fifth
    for scores from 18 nights on, where the plain statistic would hide most of the changes.

    Parameters
    ----------
    split : differences of two means over their standard deviation, any shape, not negative.
    """
    share = np.minimum(np.asarray(split) ** 2 / max(nights - 1, 1), 1.0 - 1e-12)
    t = np.sqrt(max(nights - 2, 1) * share / (1.0 - share))
    tail = stdtr(max(nights - 2, 1), -t)
    return np.asarray(np.where(tail > 0.0, -ndtri(np.maximum(tail, 1e-300)), 37.0))


def as_split(normal: float, nights: int) -> float:
    """The inverse of `as_normal`."""
    t = -float(stdtrit(max(nights - 2, 1), float(ndtr(-normal))))
    share = t * t / (t * t + max(nights - 2, 1))
    return math.sqrt(share * max(nights - 1, 1))


@lru_cache(maxsize=65536)
def clear_enough(probability: float, nights: int, least: int) -> float:
    """The statistic of `chance_of_split` that healthy nights exceed with that probability.

    Raises
    ------
    ValueError
        For a probability outside (0, 1).
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"no such probability: {probability!r}")
    if chance_of_split(0.0, nights, least) <= probability:
        return 0.0
    # Below its maximum the approximation exceeds 1 and is cut off there, so the root is the only.
    return root(lambda b: chance_of_split(b, nights, least) - probability, 0.0, 40.0, 1e-9)
