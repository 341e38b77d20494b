"""Change points: from which night on a measure is another one than before.

All nights of many series are looked at together, afterwards; `changes_latest` judges the last night
as it comes. Each series is searched as a whole for steps: exact minimum of the sum of squares about
the levels plus a price for each step (`changes_cheapest`), on scores of ranks, so
that a single absurd night is no step. The price follows from the stated probability of a false
alarm, by the theory of `changes_chance`; steps are confirmed one by one with the ranks of their own
stretch alone.

Many series: those in which anything changed at all are told by Benjamini and Hochberg's rule, and
their steps are then sought at the level q R/m of the R selected among m (Benjamini and Bogomolov,
J. R. Stat. Soc. B 76, 2014; from memory), so that what is printed keeps the promise, too.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import numpy.typing as npt

from hil.verdicts import changes_chance as chance
from hil.verdicts.changes_cheapest import cheapest
from hil.verdicts.changes_found import SHIPPED, ChangeSettings, Searched
from hil.verdicts.changes_many import Share, alone, clearest_stretch
from hil.verdicts.changes_series import Row, chance_of, splits
from hil.verdicts.multiplicity import benjamini_hochberg

#: Fewer series say nothing about how much the memory of series differs.
_FEW = 10
#: Variance of an estimate of memory, times the number of nights (by simulation).
_MEMORY_ERROR = 2.7


def search(
    series: Iterable[npt.ArrayLike], settings: ChangeSettings = SHIPPED, share: Share = alone
) -> list[Searched]:
    """Search many series for steps, each in order of time, NaN where a night has no value.

    Parameters
    ----------
    series : one array a measure, shape (n_i,), of any lengths.
    share : who looks at which of them.

    Raises
    ------
    ValueError
        If a series is not a row of numbers, or a number is infinite.
    """
    rows = _remembering(share(partial(_looked_at, settings=settings), series))
    adjusted = benjamini_hochberg([row.chance(settings) for row in rows])
    judged = int(np.count_nonzero(~np.isnan(adjusted)))
    changed = adjusted <= settings.false_share
    level = settings.false_share * max(1, int(changed.sum())) / max(1, judged)
    told = np.flatnonzero(changed).tolist()
    steps = dict(zip(told, _steps([rows[i] for i in told], level, settings), strict=True))
    factor = settings.false_share / level
    return [
        row.searched(steps.get(i, []), float(p), factor, settings)
        for i, (row, p) in enumerate(zip(rows, adjusted, strict=True))
    ]


def _looked_at(series: Sequence[npt.ArrayLike], settings: ChangeSettings) -> list[Row]:
    """Their rows, with how clearly they are split."""
    rows = [Row.of(values, settings) for values in series]
    known = [i for i, row in enumerate(rows) if row.judged]
    split = [rows[i].split(settings) for i in known]
    # There and back counts from sqrt(2) times the clearest split on; a little less is safe.
    back = clearest_stretch(
        [rows[i].scores for i in known], settings.side, [1.414 * clear for clear in split]
    )
    for i, one, other in zip(known, split, back, strict=True):
        # Two steps must each be worth their price.
        rows[i] = replace(rows[i], clearest=max(one, other / math.sqrt(2.0)))
    return rows


def _steps(rows: Sequence[Row], level: float, settings: ChangeSettings) -> list[list[int]]:
    """Places of the steps of each row among its nights with a value, confirmed at `level`."""
    at: list[list[int]] = [[] for _ in rows]
    tried: list[set[tuple[int, ...]]] = [set() for _ in rows]
    # What is left about the levels sets the price; with a step found, less is left.
    while unsettled := [i for i, before in enumerate(tried) if tuple(at[i]) not in before]:
        for i in unsettled:
            tried[i].add(tuple(at[i]))
        prices = [rows[i].price(at[i], level, settings) for i in unsettled]
        better = cheapest([rows[i].scores for i in unsettled], prices, settings.side)
        for i, found in zip(unsettled, better, strict=True):
            at[i] = found
    return [row.settled(places, level, settings) for row, places in zip(rows, at, strict=True)]


def _remembering(rows: list[Row]) -> list[Row]:
    """The rows with the memory that each has, as far as it can be told from that of all.

    A room that warms up is common to all, and one series alone tells too little of its memory:
    those that happen to seem without would be those that raise false alarms. Each estimate counts
    by what the rows differ beyond its own error (variance about 2.7/n), the mean of all for the
    rest (James-Stein). Few rows are left as they are.
    """
    known = [row for row in rows if row.judged]
    if len(known) < _FEW:
        return [replace(row, memory=max(row.memory, 0.0)) for row in rows]
    each = np.array([row.memory for row in known])
    error = float(np.mean([_MEMORY_ERROR / row.y.size for row in known]))
    differ = max(0.0, float(np.var(each, ddof=1)) - error)
    mean = float(np.mean(each))

    def told(row: Row) -> float:
        own = differ / (differ + _MEMORY_ERROR / max(row.y.size, 1))
        return max(0.0, mean + own * (row.memory - mean))

    return [replace(row, memory=told(row)) for row in rows]


def nights_needed(series: int, settings: ChangeSettings = SHIPPED) -> int:
    """Nights with which a clear step, half way, in one of so many series can be called a change.

    For nights without memory of those before; with it, some more.

    Raises
    ------
    ValueError
        For no series.
    """
    if series < 1:
        raise ValueError(f"expected a series at least, found {series}")
    nights = settings.least
    while _best(nights, settings) > settings.false_share / series:
        nights += 1
    return nights


def _best(nights: int, settings: ChangeSettings) -> float:
    scores = chance.normal_scores(np.arange(float(nights)))
    split = splits(scores, settings.side)
    return chance_of(float(split.max()), nights, settings)
