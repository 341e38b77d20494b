"""The Mann-Whitney test with its exact distribution, and the shift between two samples."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from hil.verdicts.summary import checked

FloatArray = npt.NDArray[np.float64]


def wins(first: FloatArray, second: FloatArray) -> tuple[int, int]:
    """How many pairs have the value of `first` above that of `second`, and how many are equal."""
    over = int(np.count_nonzero(first[:, None] > second[None, :]))
    return over, int(np.count_nonzero(first[:, None] == second[None, :]))


@lru_cache(maxsize=64)
def _cumulative(first: int, second: int) -> tuple[float, ...]:
    """P(U <= u) for u from 0, of samples without ties from one population.

    The number of arrangements with U = u is the coefficient of q^u in the Gaussian binomial
    coefficient, the product over i of (1 - q^(second + i))/(1 - q^i); whole numbers throughout.
    """
    length = first * second + 1
    ways = [1] + [0] * (length - 1)
    for i in range(1, first + 1):
        for u in range(length - 1, second + i - 1, -1):
            ways[u] -= ways[u - second - i]
        for u in range(i, length):
            ways[u] += ways[u - i]
    total = math.comb(first + second, first)
    shares, running = [], 0
    for count in ways:
        running += count
        shares.append(running / total)
    return tuple(shares)


def mann_whitney_tail(first: FloatArray, second: FloatArray, beyond: float = 0.0) -> float:
    """P of as many wins of `first` over `second`, or more, if they came from one population.

    A win is a difference of more than `beyond`, as the numbers of the machine have it: exactly the
    same pairs count whichever sample the shift is taken from. Exact without ties. Other pairs are
    counted as lost, so that ties make it larger, never smaller.
    """
    over = int(np.count_nonzero(first[:, None] - second[None, :] > beyond))
    total = first.size * second.size
    # By symmetry P(U >= u) = P(U <= total - u).
    sizes = sorted((int(first.size), int(second.size)))
    return _cumulative(*sizes)[total - over]


def mann_whitney(first: npt.ArrayLike, second: npt.ArrayLike) -> tuple[float, float]:
    """U of `first` (equal pairs count half) and the two-sided p value, exact without ties.

    Raises
    ------
    ValueError
        For an empty sample or values that are not finite.
    """
    a = checked(np.asarray(first, dtype=np.float64))
    b = checked(np.asarray(second, dtype=np.float64))
    over, ties = wins(a, b)
    tail = min(mann_whitney_tail(a, b), mann_whitney_tail(b, a))
    return over + 0.5 * ties, min(1.0, 2.0 * tail)


def shift_interval(
    first: FloatArray, second: FloatArray, confidence: float
) -> tuple[float, float, float]:
    """Shift of `second` against `first`: median of all differences, and its exact interval.

    Hodges and Lehmann: the interval is from the k-th smallest to the k-th largest of the m n
    differences, with the largest k for which P(U <= k - 1) <= (1 - confidence)/2; infinite if
    there is no such k.
    """
    every = np.sort(np.ravel(second[:, None] - first[None, :]))
    sizes = sorted((int(first.size), int(second.size)))
    tail = 0.5 * (1.0 - confidence)
    below = int(np.searchsorted(np.asarray(_cumulative(*sizes)), tail * (1.0 + 1e-12), "right"))
    middle = float(np.median(every))
    if below == 0:
        return middle, -math.inf, math.inf
    return middle, float(every[below - 1]), float(every[-below])
