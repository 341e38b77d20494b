"""Steps that make the sum of squares about the levels plus a price for each step smallest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from hil.verdicts.changes_many import by_length, chunks

FloatArray = npt.NDArray[np.float64]


def cheapest(scores: Sequence[FloatArray], prices: Sequence[float], side: int) -> list[list[int]]:
    """For each series the first nights of its levels but the first one, rising.

    Exact: the best steps up to a night follow from those up to every night before it (optimal
    partitioning: Jackson and others, IEEE Signal Process. Lett. 12, 2005; from memory). Many series
    of one length go together, so that most of the time goes into whole rows of numbers.

    Parameters
    ----------
    scores : one array a series, shape (n_i,), finite.
    prices : of a step, one a series, positive.
    side : nights that a level lasts at least.
    """
    found: list[list[int]] = [[]] * len(scores)
    for nights, group in by_length(scores):
        for some in chunks(np.array(group)):
            sums = np.zeros((nights + 1, some.size))
            np.cumsum(np.array([scores[i] for i in some]).T, axis=0, out=sums[1:])
            begun = _begun(sums, np.array([prices[i] for i in some]), side)
            for column, i in enumerate(some.tolist()):
                found[i] = _traced(begun[:, column], nights)
    return found


def _begun(sums: FloatArray, prices: FloatArray, side: int) -> npt.NDArray[np.intp]:
    """First night of the last level, of the best levels up to each night; 0 before `side`.

    The squares about a level of the nights a to b are those about 0 less (S_b - S_a)^2/(b - a), and
    those about 0 are the same whatever the levels are: they are left out.
    """
    ends = sums.shape[0]
    least = np.full(sums.shape, np.inf)
    least[0] = -prices
    begun = np.zeros(sums.shape, dtype=np.intp)
    for end in range(side, ends):
        starts = end - side + 1
        away = sums[end] - sums[:starts]
        away *= away
        away /= np.arange(end, side - 1, -1.0)[:, None]
        np.subtract(least[:starts], away, out=away)
        begun[end] = away.argmin(axis=0)
        least[end] = away.min(axis=0) + prices
    return begun


def _traced(begun: npt.NDArray[np.intp], nights: int) -> list[int]:
    at: list[int] = []
    start = int(begun[nights])
    while start:
        at.insert(0, start)
        start = int(begun[start])
    return at
