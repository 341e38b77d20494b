"""What a search for the first bad build came to, with the size of the change and its price."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from hil.verdicts.compare import Method, Pair, compare
from hil.verdicts.samples import interval

#: Of the intervals of shares, two-sided; `compare` uses the same.
CONFIDENCE = 0.95


class Outcome(StrEnum):
    """How a search ended."""

    FOUND = "found"  # one build, or a range between builds that could be run
    NO_CHANGE = "no-change"  # the ends do not differ visibly
    UNDECIDED = "undecided"  # out of runs, or not yet at an end
    NO_END = "no-end"  # the good or the bad build itself cannot be run


@dataclass(frozen=True, slots=True)
class Level:
    """The runs on one side of the change.

    Parameters
    ----------
    runs : how many. values : how many of them gave a number; of a rate, how many passed.
    mean, deviation : of the numbers (NaN without any, or without a second); of a rate, its share.
    low, high : 95 % interval of the share of runs that gave a number, or passed.
    """

    runs: int
    values: int
    mean: float
    deviation: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Finding:
    """What is known at the end of a search.

    Parameters
    ----------
    first, last : the first bad build is one of these; 0 if none can be named.
    probability : that it is.
    before, after : runs of the builds before and behind it, or of both ends.
    change, low, high : of the mean, with its 95 % interval; NaN where there are too few numbers.
    runs, builds : how many runs and builds it took.
    linear : runs of a plain search that tries each build in turn from the good end on, as often as
        the builds inside were run on average, after the same runs of the ends.
    """

    outcome: Outcome
    first: int
    last: int
    probability: float
    before: Level
    after: Level
    change: float
    low: float
    high: float
    runs: int
    builds: int
    linear: float


def conclude(
    outcome: Outcome,
    place: tuple[int, int, float] | None,
    runs: Mapping[int, Sequence[float]],
    end: int,
    *,
    rate: bool,
) -> Finding:
    """The finding of a search.

    Parameters
    ----------
    place : first and last build that may be the first bad one, and the probability of it.
    runs : values by build. end : number of the bad build.
    """
    first, last, probability = place or (0, 0, 0.0)
    sides: tuple[list[float], list[float]] = ([], [])
    for build, values in runs.items():
        if place is None:
            before, behind = build == 0, build == end
        else:
            before, behind = build < first, build >= last
        if before or behind:
            sides[behind].extend(values)
    numbers = [[value for value in side if not np.isnan(value)] for side in sides]
    change, low, high = (_rates if rate else _means)(numbers)
    inside = [values for build, values in runs.items() if build not in (0, end)]
    ends = sum(len(values) for build, values in runs.items() if build in (0, end))
    typical = sum(map(len, inside)) / len(inside) if inside else 1.0
    return Finding(
        outcome=outcome,
        first=first,
        last=last,
        probability=probability,
        before=_level(sides[0], rate=rate),
        after=_level(sides[1], rate=rate),
        change=change,
        low=low,
        high=high,
        runs=sum(map(len, runs.values())),
        builds=len(runs),
        linear=ends + typical * max(0, min(last, end - 1) if place else end - 1),
    )


def _level(values: Sequence[float], *, rate: bool) -> Level:
    known = np.asarray([value for value in values if not np.isnan(value)])
    good = int(known.sum()) if rate else known.size
    low, high = interval(good, len(values), CONFIDENCE) if values else (0.0, 1.0)
    mean = float(known.mean()) if known.size else float("nan")
    deviation = float(known.std(ddof=1)) if known.size > 1 else float("nan")
    return Level(len(values), good, mean, deviation, low, high)


def _means(numbers: list[list[float]]) -> tuple[float, float, float]:
    if min(map(len, numbers)) < 2:
        return float("nan"), float("nan"), float("nan")
    found = compare(Pair("change", numbers[0], numbers[1]), method=Method.WELCH)
    return found.difference, found.low, found.high


def _rates(numbers: list[list[float]]) -> tuple[float, float, float]:
    """Difference of two shares; both ends of the interval are on the safe side.

    Each share lies within its own interval of 97.5 % confidence, both with 95 % (Bonferroni).
    """
    if not all(numbers):
        return float("nan"), float("nan"), float("nan")
    sure = 0.5 * (1.0 + CONFIDENCE)
    first, second = (interval(int(sum(side)), len(side), sure) for side in numbers)
    shares = [sum(side) / len(side) for side in numbers]
    return shares[1] - shares[0], second[0] - first[1], second[1] - first[0]
