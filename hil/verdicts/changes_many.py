"""What every series of a site goes through, for all of them at once: the same figures, sooner.

Nights lie along the first axis and series along the second, so that one step in time is one
operation on a row. Each figure comes of the same operations in the same order as for a series
alone, and is the same to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Protocol, TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

FloatArray = npt.NDArray[np.float64]

T = TypeVar("T")
R = TypeVar("R")


class Share(Protocol):
    """Has a function called that gives one result a thing, of some of the things at a time.

    Whoever calls it, and with how many, the results are the same, in the order of the things.
    """

    def __call__(self, function: Callable[[list[T]], list[R]], things: Iterable[T]) -> list[R]:
        """The results."""
        ...


def alone(function: Callable[[list[T]], list[R]], things: Iterable[T]) -> list[R]:
    """All at once, here."""
    return function(list(things))


#: So many series together stay within the cache of a processor.
_TOGETHER = 64


def clearest_stretch(
    scores: Sequence[FloatArray], side: int, floors: Sequence[float]
) -> list[float]:
    """Clearness of the clearest stretch of each series that differs from all the rest of it.

    A stretch of m of n nights whose scores (mean 0) add up to s is sqrt(s^2/(m (n - m)/n)) clear.

    Parameters
    ----------
    scores : one array a series, shape (n_i,).
    side : nights that a stretch, and the rest, last at least.
    floors : for each, what is as good as nothing: at least this is returned, and what cannot be
        clearer is not looked at.

    Raises
    ------
    ValueError
        If there is not one floor for each series.
    """
    if len(scores) != len(floors):
        raise ValueError(f"{len(scores)} series, but {len(floors)} floors")
    found = list(floors)
    for nights, group in by_length(scores):
        sums = np.zeros((nights + 1, len(group)))
        np.cumsum(np.array([scores[i] for i in group]).T, axis=0, out=sums[1:])
        reach = (sums.max(axis=0) - sums.min(axis=0)) ** 2
        least = np.array([floors[i] for i in group]) ** 2
        # Alike in how long a stretch can be before it is hopeless, they share what is left out.
        order = np.argsort(reach / np.maximum(least, 1e-9), kind="stable")
        for some in chunks(order):
            best = _clearest(np.ascontiguousarray(sums[:, some]), side, reach[some], least[some])
            for i, square, floor in zip(some, best, least[some], strict=True):
                if square > floor:
                    found[group[i]] = float(np.sqrt(square))
    return found


def _clearest(sums: FloatArray, side: int, reach: FloatArray, least: FloatArray) -> FloatArray:
    """Square of the clearness, or `least` if that is larger; shape (k,)."""
    nights = sums.shape[0] - 1
    best = least.copy()
    for size in range(side, nights - side + 1):
        weight = float(size) * (nights - float(size)) / nights
        # Rounding keeps order: what no difference of sums can reach, none does.
        if bool(np.all(reach / weight <= best)):
            continue
        away = sums[size:] - sums[:-size]
        most = np.maximum(away.max(axis=0), -away.min(axis=0))
        np.maximum(best, most**2 / weight, out=best)
    return best


def running_scores(rows: Sequence[FloatArray]) -> list[FloatArray]:
    """`changes_chance.running_scores` of each row, of any lengths."""
    found: list[FloatArray] = [np.empty(0)] * len(rows)
    for some in chunks(np.argsort([row.size for row in rows], kind="stable")):
        doubled = _doubled_ranks(_table([rows[i] for i in some]))
        nights = np.arange(1.0, doubled.shape[0] + 1.0)
        scores = ndtri((doubled / 2.0 - 0.5) / nights[:, None])
        for column, i in enumerate(some):
            found[i] = np.array(scores[: rows[i].size, column])
    return found


def _doubled_ranks(table: FloatArray) -> npt.NDArray[np.float64]:
    """Twice the rank of each night among those up to it; NaN at the end of shorter series."""
    nights = table.shape[0]
    places = np.argsort(table, axis=0, kind="stable")
    ranked = np.take_along_axis(table, places, axis=0)
    risen = ranked[1:] != ranked[:-1]
    # Small whole numbers are compared several times as fast as the nights themselves.
    kind = np.int16 if nights < np.iinfo(np.int16).max // 2 else np.int64
    dense = np.zeros(table.shape, dtype=kind)
    steps = np.zeros(table.shape, dtype=kind)
    np.cumsum(risen, axis=0, out=steps[1:])
    np.put_along_axis(dense, places, steps, axis=0)
    # Nights before that are less, and that are not more; their sum is even without equal ones.
    less, most = np.zeros_like(dense), np.zeros_like(dense)
    tied = not bool(risen.all())
    # Shifted by all but the last bit, what is negative is -1: numbers of one kind are quicker.
    bits = 8 * dense.itemsize - 1
    for night in range(nights - 1):
        away = dense[night] - dense[night + 1 :]
        if tied:
            most[night + 1 :] -= (away - 1) >> bits
        away >>= bits
        less[night + 1 :] -= away
    return (less + (most if tied else less) + 2).astype(np.float64)


def last_sums(rows: Sequence[FloatArray], slack: float) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Last sums of `charts.cusum` about 0 for each row, and where they were 0 last.

    Parameters
    ----------
    rows : finite, of any lengths.
    slack : k.

    Returns
    -------
    sums of shape (2, k), those above and those below, and indices of the same shape; -1 for a sum
    that never was 0, and for a row of nothing.
    """
    sums = np.zeros((2, len(rows)))
    zero = np.full((2, len(rows)), -1, dtype=np.intp)
    for some in chunks(np.argsort([row.size for row in rows], kind="stable"), 16 * _TOGETHER):
        table = _table([rows[i] for i in some])
        sizes = np.array([rows[i].size for i in some])
        at, last = np.zeros((2, len(some))), np.full((2, len(some)), -1, dtype=np.intp)
        # The shorter ones stand first: those that have this night are the rest.
        firsts = np.searchsorted(sizes, np.arange(table.shape[0]), side="right").tolist()
        for night, first in enumerate(firsts):
            values, now = table[night, first:], at[:, first:]
            np.maximum(0.0, now[0] + values - slack, out=now[0])
            np.maximum(0.0, now[1] - slack - values, out=now[1])
            last[:, first:][now == 0.0] = night
        sums[:, some], zero[:, some] = at, last
    return sums, zero


def _table(rows: Sequence[FloatArray]) -> FloatArray:
    """Series side by side, shape (n, k), NaN after the end of the shorter ones."""
    table = np.full((max(row.size for row in rows), len(rows)), np.nan)
    for column, row in enumerate(rows):
        table[: row.size, column] = row
    return table


def by_length(rows: Sequence[FloatArray]) -> Iterator[tuple[int, list[int]]]:
    """Each length that occurs, with the places of the rows that have it."""
    found: dict[int, list[int]] = {}
    for i, row in enumerate(rows):
        found.setdefault(row.size, []).append(i)
    yield from found.items()


def chunks(
    order: npt.NDArray[np.intp], together: int = _TOGETHER
) -> Iterator[npt.NDArray[np.intp]]:
    """Series that are handled at once, in this order."""
    for first in range(0, order.size, together):
        yield order[first : first + together]
