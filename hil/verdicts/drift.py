"""Nights judged against history: many measures, every night, and hardly a false alarm.

A change is an alarm if it shows on several nights in a row in one direction (one odd night is
something to look at, not an alarm), if chance does not explain it after correction for all measures
of the night, and if it is large enough to matter. Nothing is presumed about the distribution of a
measure: results of a bench are skewed, heavy-tailed and rounded, and a normal model would raise
alarms by the dozen. Results of neighbouring nights may resemble each other (a room that warms up);
that is taken out first. Yes/no measures and counts belong to `hil.verdicts.samples`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import comb

from hil.verdicts.multiplicity import benjamini_hochberg

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Nights of history worth handing in; more follow a slow change less.
WINDOW = 90
#: Autocorrelation is taken out up to here; above, a history says little about tonight.
_MOST_LAG = 0.9


@dataclass(frozen=True, slots=True)
class DriftSettings:
    """How nights are judged.

    Parameters
    ----------
    false_share : adjusted p value at which a change is an alarm. If nothing changes it is also a
        bound of the probability of any alarm in a night, so 0.01 is 0.3 such nights a month. If
        measures share a cause (a warm room), the few false alarms come many at a time.
    confirm : nights in a row that must show a change.
    least : nights of history below which a measure is not judged at all.

    Raises
    ------
    ValueError
        For a share outside (0, 1), no night to judge, or a history of less than three.
    """

    false_share: float = 0.01
    confirm: int = 3
    least: int = 20

    def __post_init__(self) -> None:
        if not 0.0 < self.false_share < 1.0 or self.confirm < 1 or self.least < 3:
            raise ValueError(f"no such settings: {self}")


SHIPPED = DriftSettings()


@dataclass(frozen=True, slots=True, eq=False)
class NightJudgement:
    """Judgement of one night; all arrays have one entry a measure, shape (k,).

    Parameters
    ----------
    judged : False where history or a recent night is missing, or nothing ever varies.
    difference : mean of the recent nights less mean of the history, in the unit of the measure.
    deviations : the same in standard deviations of the history.
    p, adjusted : alone and among all measures of the night; NaN if not judged.
    alarm : a change that is sure and matters.
    odd : tonight alone lies beyond everything in the history; for information.
    """

    judged: BoolArray
    difference: FloatArray
    deviations: FloatArray
    p: FloatArray
    adjusted: FloatArray
    alarm: BoolArray
    odd: BoolArray


def judge_night(
    history: npt.ArrayLike,
    recent: npt.ArrayLike,
    settings: DriftSettings = SHIPPED,
    *,
    minimum: npt.ArrayLike = 0.0,
) -> NightJudgement:
    """Judge the last nights against earlier ones.

    Deviations from the mean of the history are freed of their lag-one autocorrelation r, estimated
    from the history (e_i = d_i - r d_(i-1), 0 <= r <= 0.9); then `rank_tail` applies.

    Parameters
    ----------
    history : shape (n, k), earlier nights by measures, in order, NaN where there was no value. A
        moving window of `WINDOW` nights follows slow changes, a fixed one finds them.
    recent : shape (confirm, k), the nights to judge, tonight last.
    minimum : shape (k,) or one number: smallest difference that matters.

    Raises
    ------
    ValueError
        If the shapes do not fit, or a number is infinite.
    """
    past, now = (np.asarray(a, dtype=np.float64) for a in (history, recent))
    if past.ndim != 2 or now.shape != (settings.confirm, past.shape[1]):
        raise ValueError(
            f"expected history (n, k) and recent ({settings.confirm}, k), found {past.shape} and "
            f"{now.shape}"
        )
    if bool(np.any(np.isinf(past))) or bool(np.any(np.isinf(now))):
        raise ValueError("results are finite, or NaN where there is none")
    known = ~np.isnan(past)
    count = known.sum(axis=0)
    mean = np.where(known, past, 0.0).sum(axis=0) / np.maximum(count, 1)
    away = np.vstack([past, now]) - mean
    filled = np.where(np.isnan(away), 0.0, away)
    nights = past.shape[0]
    squares = (filled[:nights] ** 2).sum(axis=0)
    deviation = np.sqrt(squares / np.maximum(count - 1, 1))
    # Exactly equal results leave rounding of the mean only.
    varies = deviation > 1e-12 * np.maximum(np.abs(mean), np.finfo(np.float64).tiny)
    judged = (count >= settings.least) & varies & ~np.isnan(now).any(axis=0)
    free = away - _lag(filled[:nights], squares, count) * np.vstack([0.0 * mean, filled[:-1]])
    p = np.where(judged, rank_tail(free[:nights], free[nights:]), np.nan)
    adjusted = benjamini_hochberg(p)
    difference = np.where(judged, away[nights:].mean(axis=0), np.nan)
    with np.errstate(invalid="ignore"):
        matters = np.abs(difference) >= np.asarray(minimum, dtype=np.float64)
        alarm = judged & (adjusted <= settings.false_share) & matters
        tonight = rank_tail(free[:nights], free[-1:])
        odd = judged & (tonight <= 2.0 / (np.maximum(count, 1) + 1.0) * (1.0 + 1e-9))
    scale = np.where(judged, deviation, 1.0)
    return NightJudgement(judged, difference, difference / scale, p, adjusted, alarm, odd)


def _lag(filled: FloatArray, squares: FloatArray, count: npt.NDArray[np.int_]) -> FloatArray:
    """Lag-one autocorrelation, corrected for its bias of -(1 + 3 r)/n (Kendall; from memory)."""
    products = (filled[1:] * filled[:-1]).sum(axis=0)
    raw = products / np.maximum(squares, np.finfo(np.float64).tiny)
    corrected = raw + (1.0 + 3.0 * raw) / np.maximum(count, 1)
    return np.asarray(np.clip(corrected, 0.0, _MOST_LAG))


def rank_tail(history: FloatArray, recent: FloatArray) -> FloatArray:
    """Two-sided p of c recent results that all lie so far out, for any continuous distribution.

    If a of n earlier results lie as far out as the least extreme recent one or farther, all c are
    among the a + c largest of n + c, which chance does with probability
    C(a + c, c)/C(n + c, c) on one side. Equal results count against the change.

    Parameters
    ----------
    history, recent : shapes (n, k) and (c, k); NaN in the history is left out.

    Returns
    -------
    array of shape (k,), within 0 to 1; 1 where a recent result is NaN.
    """
    nights = recent.shape[0]
    count = (~np.isnan(history)).sum(axis=0)
    with np.errstate(invalid="ignore"):
        above = (history >= recent.min(axis=0)).sum(axis=0)
        below = (history <= recent.max(axis=0)).sum(axis=0)
    beyond = np.minimum(above, below)
    ways: FloatArray = np.asarray(comb(beyond + nights, nights), dtype=np.float64)
    p = np.minimum(1.0, 2.0 * ways / np.asarray(comb(count + nights, nights), dtype=np.float64))
    return np.asarray(np.where(np.isnan(recent).any(axis=0), 1.0, p))


def history_needed(measures: int, settings: DriftSettings = SHIPPED) -> int:
    """Nights of history with which a change of one of so many measures can become an alarm.

    Raises
    ------
    ValueError
        For no measure.
    """
    if measures < 1:
        raise ValueError(f"expected a measure at least, found {measures}")

    def enough(nights: int) -> bool:
        ways = math.comb(nights + settings.confirm, settings.confirm)
        return 2.0 * measures / ways <= settings.false_share

    low = high = settings.least
    while not enough(high):
        low, high = high + 1, 2 * high
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return low
