"""Pass bands proposed from what earlier runs measured, and what they would have done to those runs.

A limit from data is a tolerance limit: it holds the stated share of all healthy results with the
stated confidence. It says what the drive does, not what it has to do; a limit that stands for a
requirement stays as it is.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from scipy.stats import shapiro

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.verdict import Verdict
from hil.verdicts.baseline import Baseline
from hil.verdicts.decide import judge
from hil.verdicts.outliers import screen
from hil.verdicts.summary import Summary, summarise
from hil.verdicts.tolerance import (
    Sides,
    ToleranceInterval,
    free_interval,
    free_size,
    normal_interval,
)

#: With fewer values nothing is proposed: the factor is large and normality cannot be looked at.
FEWEST = 5
#: From this many values on a sample that a normal one would be with this probability is not normal.
_TESTABLE, _NOT_NORMAL = 8, 0.01
#: A band is widened in so many steps at most, each a twentieth longer than the one before.
_MOST_STEPS = 120


@dataclass(frozen=True, slots=True)
class Wish:
    """What a proposed band has to hold, and how wide it must be at least.

    Parameters
    ----------
    coverage, confidence : fractions.
    share : least room between mean and limit, as a fraction of the mean.
    rooms : measure -> least room in its unit, in place of the share.

    Raises
    ------
    ValueError
        For fractions outside (0, 1), or negative room.
    """

    coverage: float = 0.99
    confidence: float = 0.95
    share: float = 0.05
    rooms: Mapping[str, float] | None = None

    def __post_init__(self) -> None:
        if not (0.0 < self.coverage < 1.0 and 0.0 < self.confidence < 1.0):
            raise ValueError("coverage and confidence lie above 0 % and below 100 %")
        if not all(0.0 <= room < math.inf for room in (self.share, *(self.rooms or {}).values())):
            raise ValueError("room beside the mean is not negative")

    def room(self, measure: str, mean: float) -> float:
        """Least distance of a limit from the mean."""
        return (self.rooms or {}).get(measure, self.share * abs(mean))


@dataclass(frozen=True, slots=True)
class Proposal:
    """A band proposed for one measure of one item.

    Parameters
    ----------
    baseline : what it is drawn from.
    current : the band as planned.
    band : the proposed one, None with `remarks` saying why not.
    sample : count, mean, deviation of the values, None without any.
    method : how its limits were found.
    remarks : what the reader must know before accepting it.
    """

    baseline: Baseline
    current: Band
    band: Band | None
    sample: Summary | None = None
    method: str = ""
    remarks: tuple[str, ...] = ()


def propose(baseline: Baseline, current: Band, wish: Wish) -> Proposal:
    """A band with the sides, rule and requirement of `current` and limits from the data.

    Each limit is a tolerance limit (exact normal factors; distribution-free if the values are
    clearly not normal by Shapiro and Wilk's test at 1 % and there are enough of them); at least the
    wished room from the mean; so far out that a result at the tolerance limit passes under the
    rule, resolution and uncertainty at hand; and rounded outwards. A band about zero stays one.

    Raises
    ------
    ValueError
        If band and baseline are not of one measure and unit.
    """
    if (current.measure, current.unit) != (baseline.measure, baseline.unit):
        raise ValueError(f"a band of {current.measure} does not fit {baseline.measure}")
    values = baseline.values
    none = Proposal(baseline, current, None)
    if not data_may_set(current):
        return replace(none, remarks=("a count or an exact value is not for data to set",))
    if len(values) < FEWEST:
        return replace(none, remarks=(f"{len(values)} values, of which it takes {FEWEST}",))
    sample = summarise(values)
    sides = _sides(current)
    interval, remarks = _interval(values, sample, sides, wish)
    room = wish.room(current.measure, sample.mean)
    band = _judgeable(
        replace(
            current,
            low=None if interval.low is None else min(interval.low, sample.mean - room),
            high=None if interval.high is None else max(interval.high, sample.mean + room),
        ),
        interval,
        baseline,
    )
    if band is None:
        said = "a band from these values would be too fine to judge with their uncertainty"
        return Proposal(baseline, current, None, sample, interval.method, (said,))
    band = replace(
        band,
        low=None if band.low is None else _outward(band.low, sample.mean - band.low, up=False),
        high=None if band.high is None else _outward(band.high, band.high - sample.mean, up=True),
    )
    band, aside = _about_zero(band, current)
    remarks += aside + _remarks(baseline, values)
    return Proposal(baseline, current, band, sample, interval.method, remarks)


def _about_zero(band: Band, current: Band) -> tuple[Band, tuple[str, ...]]:
    """A band about zero stays one: what it limits is a deviation, and one of the other sign, or
    none at all, is no worse."""
    low, high = band.low, band.high
    if low is None or high is None or current.low is None or current.high is None:
        return band, ()
    if not current.low < 0.0 < current.high or low < 0.0 < high:
        return band, ()
    if low >= 0.0:
        low = max(current.low, -high)
    else:
        high = min(current.high, -low)
    said = "all to one side of zero: the other side is as wide, if the band was so wide there"
    return replace(band, low=low, high=high), (said,)


def data_may_set(band: Band) -> bool:
    """False for counts, yes/no measures and exact values: those are decided, not estimated."""
    return band.unit != "1" and (band.low is None or band.low != band.high)


def _sides(band: Band) -> Sides:
    if band.low is None:
        return Sides.UPPER
    return Sides.LOWER if band.high is None else Sides.BOTH


def _judgeable(band: Band, interval: ToleranceInterval, baseline: Baseline) -> Band | None:
    """The band, widened until a result at a tolerance limit passes; None if that cannot be.

    The result is given the largest uncertainty and resolution of the baseline. A single limit is
    not moved across zero: it would then say something else.
    """
    least = max((f.measure for f in baseline.found if f.measure.value is not None), key=_doubt)
    probes = [
        replace(least, value=limit, resolution=baseline.resolution)
        for limit in (interval.low, interval.high)
        if limit is not None
    ]
    step = 0.125 * max(baseline.uncertainty, baseline.resolution)
    low, high = band.low, band.high
    for _ in range(_MOST_STEPS):
        wider = replace(band, low=low, high=high)
        if all(judge(wider, probe).verdict is Verdict.PASS for probe in probes):
            return wider
        low = None if low is None else low - step
        high = None if high is None else high + step
        single = (band.low, low) if band.high is None else (band.high, high)
        if None in (band.low, band.high) and single[0] and single[1] and single[0] * single[1] < 0:
            return None
        step *= 1.05
    return None


def _doubt(measure: Measure) -> float:
    return measure.uncertainty or 0.0


def _interval(
    values: list[float], sample: Summary, sides: Sides, wish: Wish
) -> tuple[ToleranceInterval, tuple[str, ...]]:
    normal = normal_interval(values, wish.coverage, wish.confidence, sides)
    if sample.deviation <= 1e-12 * abs(sample.mean) or sample.count < _TESTABLE:
        return normal, ()
    chance = float(shapiro(values).pvalue) if sample.count <= 5000 else 0.0
    if chance >= _NOT_NORMAL:
        return normal, ()
    free = free_interval(values, wish.coverage, wish.confidence, sides)
    if free is not None:
        return free, ()
    needed = free_size(wish.coverage, wish.confidence, sides)
    said = (
        f"the values do not look normal (Shapiro-Wilk p = {chance:.1g}), so the coverage is not "
        f"shown; without that presumption it takes {needed} values"
    )
    return normal, (said,)


def _remarks(baseline: Baseline, values: list[float]) -> tuple[str, ...]:
    said = []
    if len(baseline.runs) == 1:
        said.append("from one run: what differs between runs is not in it")
    if baseline.absent:
        said.append(f"{baseline.absent} times without a value, which no band lets pass")
    failed = sum(
        one.verdict is Verdict.FAIL and one.measure.value is not None for one in baseline.found
    )
    if failed:
        said.append(f"{failed} of the values are from items that failed")
    suspects = screen(values, resolution=baseline.resolution).suspects
    if suspects:
        listed = ", ".join(f"{values[index]:.4g}" for index in suspects[:3])
        more = f" and {len(suspects) - 3} more" if len(suspects) > 3 else ""
        said.append(f"far from the rest: {listed}{more} (kept)")
    return tuple(said)


def _outward(limit: float, reach: float, *, up: bool) -> float:
    """Round away from the mean to 1, 2 or 5 times a power of ten, by a tenth of `reach` at most."""
    if not reach > 0.0:
        return limit
    power = math.floor(math.log10(reach / 10.0))
    step = max(
        (m * 10.0**power for m in (1.0, 2.0, 5.0) if m * 10.0**power <= reach / 10.0),
        default=10.0**power,
    )
    steps = limit / step
    whole = math.ceil(steps - 1e-9) if up else math.floor(steps + 1e-9)
    return float(f"{whole * step:.12g}")


def widest(bands: Iterable[Band]) -> Band:
    """The band that holds all of several bands of one measure.

    Raises
    ------
    ValueError
        Without a band, or if they are of different measures, units or sides.
    """
    every = list(bands)
    if not every or len({(b.measure, b.unit, _sides(b)) for b in every}) != 1:
        raise ValueError("expected bands of one measure, unit and side")
    lows = [band.low for band in every if band.low is not None]
    highs = [band.high for band in every if band.high is not None]
    return replace(every[0], low=min(lows) if lows else None, high=max(highs) if highs else None)


@dataclass(frozen=True, slots=True)
class Hindsight:
    """What a band would have done to past results.

    Parameters
    ----------
    counts : verdict -> number of results.
    not_passed : runs with a result that would not have passed, in order.
    """

    counts: Mapping[Verdict, int]
    not_passed: tuple[str, ...]

    def __str__(self) -> str:
        return ", ".join(f"{number} {verdict.value}" for verdict, number in self.counts.items())


def hindsight(band: Band, baseline: Baseline) -> Hindsight:
    """Hold all past results, absent ones included, against a band.

    They are the results a proposed band is drawn from, so this flatters it; the stated coverage and
    confidence are what it promises for results to come.

    Raises
    ------
    ValueError
        If band and baseline are not of one measure and unit.
    """
    counts: Counter[Verdict] = Counter()
    runs: dict[str, None] = {}
    for one in baseline.found:
        verdict = judge(band, one.measure).verdict
        counts[verdict] += 1
        if verdict is not Verdict.PASS and verdict is not Verdict.NOT_RUN:
            runs[one.run] = None
    ordered = {verdict: counts[verdict] for verdict in Verdict if counts[verdict]}
    return Hindsight(ordered, tuple(runs))
