"""Change points: from which night on a measure is another one than before.

All nights of many series are looked at together, afterwards; `changes_latest` judges the last night
as it comes. Each series is searched as a whole for steps: exact minimum of the sum of squares about
the levels plus a price for each step (PELT with every night a candidate), on scores of ranks, so
that a single absurd night is no step. The price follows from the stated probability of a false
alarm, by the theory of `changes_chance`; steps are confirmed one by one with the ranks of their own
stretch alone.

Many series: those in which anything changed at all are told by Benjamini and Hochberg's rule, and
their steps are then sought at the level q R/m of the R selected among m (Benjamini and Bogomolov,
J. R. Stat. Soc. B 76, 2014; from memory), so that what is printed keeps the promise, too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from hil.verdicts import changes_chance as chance
from hil.verdicts.changes_found import SHIPPED, ChangeSettings, Searched
from hil.verdicts.changes_series import Row, chance_of, splits
from hil.verdicts.multiplicity import benjamini_hochberg


def search(series: Sequence[npt.ArrayLike], settings: ChangeSettings = SHIPPED) -> list[Searched]:
    """Search many series for steps, each in order of time, NaN where a night has no value.

    Parameters
    ----------
    series : one array a measure, shape (n_i,), of any lengths.

    Raises
    ------
    ValueError
        If a series is not a row of numbers, or a number is infinite.
    """
    rows = [Row.of(values, settings) for values in series]
    adjusted = benjamini_hochberg(np.array([row.chance(settings) for row in rows]))
    judged = int(np.count_nonzero(~np.isnan(adjusted)))
    changed = adjusted <= settings.false_share
    level = settings.false_share * max(1, int(changed.sum())) / max(1, judged)
    found = []
    for row, p, steps in zip(rows, adjusted, changed, strict=True):
        at = row.steps(level, settings) if steps else []
        found.append(row.searched(at, float(p), settings.false_share / level, settings))
    return found


def nights_needed(series: int, settings: ChangeSettings = SHIPPED) -> int:
    """Nights with which a clear step, half way, in one of so many series can be called a change.

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
