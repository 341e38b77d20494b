"""The latest night of many series, as it comes: far out for nights in a row, or creeping away.

Two detectors look at it. `hil.verdicts.drift.judge_night` finds what lies far out on several nights
in a row. A tabular CUSUM (`hil.verdicts.charts`) adds up what each night alone would not show. It
runs on scores of sequential ranks, so that its false alarms do not depend on how the results are
distributed, and its limit follows from the number of series and the false alarms allowed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt

from hil.verdicts.changes_many import Share, alone, last_sums, running_scores
from hil.verdicts.drift import SHIPPED, WINDOW, DriftSettings, judge_night
from hil.verdicts.roots import root

FloatArray = npt.NDArray[np.float64]

#: k of the CUSUM in standard deviations: the one for a step of twice as much.
SLACK = 0.5
#: What a discrete sum overshoots its limit by on average (Siegmund, Sequential Analysis, 1985).
OVERSHOOT = 1.166


@dataclass(frozen=True, slots=True)
class LatestNight:
    """The latest night of one series.

    Parameters
    ----------
    changed : several nights in a row lie further out than chance explains.
    odd : this night alone lies beyond everything in the history.
    creeping : index of the night after which the sum beyond its limit began to rise, or None.
    level, sigma : mean and standard deviation of what it is held against; NaN without two nights.
    p : of nights so far out in a row, corrected for all series; NaN if not judged.
    judged : False where history or a recent night is missing, or nothing ever varies.
    """

    changed: bool
    odd: bool
    creeping: int | None
    level: float
    sigma: float
    p: float
    judged: bool


def run_length(limit: float, slack: float = SLACK) -> float:
    """Mean nights between false alarms of a two-sided CUSUM of standard normal nights.

    One side: (exp(2 k b) - 2 k b - 1)/(2 k^2), b = h + 1.166 (Siegmund, Sequential Analysis, 1985,
    from memory; NIST e-Handbook 6.3.2.3 prints run lengths of like size); two sides alarm twice
    as often.

    Parameters
    ----------
    limit, slack : h and k in standard deviations.

    Raises
    ------
    ValueError
        Unless both are positive.
    """
    if not limit > 0.0 or not slack > 0.0:
        raise ValueError(f"no such chart: limit {limit!r}, slack {slack!r}")
    rise = 2.0 * slack * (limit + OVERSHOOT)
    return (math.exp(rise) - rise - 1.0) / (2.0 * slack * slack) / 2.0


@lru_cache(maxsize=1024)
def limit_for(nights: float, slack: float = SLACK) -> float:
    """The limit h, in standard deviations, with so many nights between false alarms.

    Raises
    ------
    ValueError
        For less than ten nights.
    """
    if not nights >= 10.0:
        raise ValueError(f"expected ten nights between false alarms at least, found {nights!r}")
    return root(lambda h: run_length(h, slack) - nights, 1e-3, 100.0, 1e-6)


def judge_latest(
    series: Sequence[npt.ArrayLike],
    since: Sequence[int],
    memory: Sequence[float],
    settings: DriftSettings = SHIPPED,
    share: Share = alone,
) -> list[LatestNight]:
    """Judge the last night of each series against those before it.

    A false alarm by nights in a row has at most the probability `settings.false_share` in a night,
    all series together; by creeping away, as much once more.

    Parameters
    ----------
    series : one array a measure, shape (n_i,), nights in order, NaN where there is no value.
    since : for each, the first night of its present level: earlier ones do not count for creeping
        away. See `hil.verdicts.changes`.
    memory : for each, how much a night resembles the one before, 0 to below 1; from there, too.
    share : who looks at which of them.

    Raises
    ------
    ValueError
        If the three differ in length, or a number is infinite.
    """
    rows = [np.asarray(values, dtype=np.float64) for values in series]
    if not len(rows) == len(since) == len(memory):
        raise ValueError(
            f"{len(rows)} series, but {len(since)} first nights and {len(memory)} memories"
        )
    if not rows:
        return []
    night = judge_night(*_recent(rows, settings.confirm), settings)
    limit = limit_for(max(10.0, len(rows) / settings.false_share))
    present = map(_Present, rows, since, memory)
    seen = share(partial(_each_alone, limit=limit, settings=settings), present)
    return [
        LatestNight(
            changed=bool(night.alarm[i]),
            odd=bool(night.odd[i]),
            creeping=creeping,
            level=level,
            sigma=sigma,
            p=float(night.adjusted[i]),
            judged=bool(night.judged[i]),
        )
        for i, (creeping, level, sigma) in enumerate(seen)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Present:
    """The nights of a series, where its present level begins, and its memory."""

    row: FloatArray
    since: int
    memory: float


def _each_alone(
    some: Sequence[_Present], limit: float, settings: DriftSettings
) -> list[tuple[int | None, float, float]]:
    """What each series says by itself: creeping, level and sigma of `LatestNight`."""
    creeping = _creeping(some, limit, settings)
    held = [_held_against(one.row[one.since :], settings) for one in some]
    return [(begun, *against) for begun, against in zip(creeping, held, strict=True)]


def _recent(rows: Sequence[FloatArray], confirm: int) -> tuple[FloatArray, FloatArray]:
    """History (WINDOW, k) and recent nights (confirm, k) of all series, their last nights level."""
    table = np.full((WINDOW + confirm, len(rows)), math.nan)
    for i, row in enumerate(rows):
        last = row[-table.shape[0] :]
        if last.size:
            table[-last.size :, i] = last
    return table[:-confirm], table[-confirm:]


def _held_against(present: FloatArray, settings: DriftSettings) -> tuple[float, float]:
    """Mean and standard deviation of the nights at the present level, the recent ones left out."""
    known = present[:-1][~np.isnan(present[:-1])]
    earlier = known[: max(2, known.size + 1 - settings.confirm)]
    if earlier.size < 2:
        return math.nan, math.nan
    return float(np.mean(earlier)), float(np.std(earlier, ddof=1))


def _creeping(some: Sequence[_Present], limit: float, settings: DriftSettings) -> list[int | None]:
    """Where the sum that tonight lies beyond its limit began to rise; None if it does not."""
    found: list[int | None] = [None] * len(some)
    at: list[int] = []
    nights: list[npt.NDArray[np.intp]] = []
    for i, one in enumerate(some):
        where = one.since + np.flatnonzero(~np.isnan(one.row[one.since :]))
        if where.size >= settings.least and where[-1] == one.row.size - 1:
            at.append(i)
            nights.append(where)
    scores = running_scores([some[i].row[where] for i, where in zip(at, nights, strict=True)])
    sums, zero = last_sums(
        [_free(one, some[i].memory) for i, one in zip(at, scores, strict=True)], SLACK
    )
    for column, (i, where) in enumerate(zip(at, nights, strict=True)):
        for side in (0, 1):
            if sums[side, column] > limit and found[i] is None:
                last = int(zero[side, column])
                found[i] = some[i].since if last < 0 else int(where[min(last + 1, where.size - 1)])
    return found


def _free(scores: FloatArray, r: float) -> FloatArray:
    """Scores freed of what each owes to the one before."""
    free = scores.copy()
    free[1:] = (scores[1:] - r * scores[:-1]) / math.sqrt(1.0 - r * r)
    return free
