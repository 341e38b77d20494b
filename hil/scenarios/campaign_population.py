"""Healthy rigs through a plan: how often a band fails one of them, and how much room it leaves.

tally = PopulationTally(items)
for result in run_campaign(population_tasks(...)):
    tally.add(result)
tally.bands()        # one `BandRate` a band and item, the worst first
"""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.core.verdict import Verdict
from hil.plan.plan import PlannedItem
from hil.scenarios.campaign_task import Task, TaskResult
from hil.twin.population import Tolerances, healthy_rig
from hil.verdicts.samples import upper_bound

#: Of the one-sided bounds.
CONFIDENCE = 0.95
#: What a healthy rig was failed or left undecided for is quoted this many times a band, at most.
EXAMPLES = 3
#: Stands for the item itself where it ended early: no band of it was to blame.
WHOLE_ITEM = "(the item itself)"


def population_tasks(
    plan: str,
    rig: str,
    items: Iterable[PlannedItem],
    tolerances: Tolerances,
    *,
    rigs: int,
    seed: int,
    first: int = 1,
) -> list[Task]:
    """Every item on every rig, rig by rig; rig n has the same tasks however many there are.

    Parameters
    ----------
    plan, rig : files, as in `Task`.
    rigs : how many, numbered from `first` on.
    """
    chosen = list(items)
    return [
        Task(plan, item.id, rig, healthy_rig(tolerances, seed, number), f"{seed}/rig {number}")
        for number in range(first, first + rigs)
        for item in chosen
    ]


@dataclass(frozen=True, slots=True)
class Spread:
    """How the values of a measure spread over the rigs, in its unit."""

    count: int
    least: float
    low: float  # 5 % of the values lie below
    median: float
    high: float  # 5 % of the values lie above
    most: float


@dataclass(frozen=True, slots=True)
class BandRate:
    """What one band made of the healthy rigs in one item.

    Parameters
    ----------
    judged : judgements that said anything; a measure that does not apply is not among them.
    fails, undecided : of these, how many failed or could not be decided.
    fail_bound : upper bound of the chance to fail a healthy rig, one-sided, `CONFIDENCE`.
    spread : of the measure's values, None if there never was one.
    limits : low and high, None where open.
    margin : smallest distance to a limit, negative outside, in `unit`.
    room : that margin in widths of the middle 90 % of the values; None without a width.
    examples : rig and reason of some that did not pass.
    """

    item: str
    measure: str
    unit: str
    judged: int
    fails: int
    undecided: int
    fail_bound: float
    spread: Spread | None
    limits: tuple[float | None, float | None]
    margin: float | None
    room: float | None
    examples: tuple[str, ...]


@dataclass(slots=True)
class _Band:
    judged: int = 0
    fails: int = 0
    undecided: int = 0
    margin: float = np.inf
    examples: list[str] = field(default_factory=list)


class PopulationTally:
    """Counts results as they come; keeps numbers only, eight bytes a value.

    Parameters
    ----------
    items : the items of the plan that are run, by id.
    """

    def __init__(self, items: Mapping[str, PlannedItem]) -> None:
        self._items = items
        self._bands: dict[tuple[str, str], _Band] = defaultdict(_Band)
        self._values: dict[tuple[str, str], array[float]] = defaultdict(lambda: array("d"))
        self._units: dict[str, str] = {}
        self._failed: dict[str, str] = {}
        self._rigs: set[str] = set()
        self.verdicts: dict[Verdict, int] = dict.fromkeys(Verdict, 0)
        self.bench_seconds = self.wall_seconds = 0.0

    def add(self, result: TaskResult) -> None:
        """Count one result."""
        item, rig = result.task.item, result.task.variation.name
        self._rigs.add(rig)
        self.verdicts[result.verdict] += 1
        self.bench_seconds += result.bench_seconds
        self.wall_seconds += result.wall_seconds
        for one in result.measured:
            self._units[one.measure] = one.unit
            if one.value is not None:
                self._values[item, one.measure].append(one.value)
        blamed = False
        for judged in result.judged:
            if judged.verdict is Verdict.NOT_RUN:
                continue
            band = self._bands[item, judged.measure]
            self._count(band, judged.verdict, f"{rig}: {judged.reason}")
            blamed |= judged.verdict is result.verdict
            if judged.margin is not None:
                band.margin = min(band.margin, judged.margin)
        if result.verdict is Verdict.FAIL:
            self._failed.setdefault(rig, f"{item}: {result.reason}")
        if not blamed or result.verdict is Verdict.BENCH_FAULT:
            # Firmware stopped by an abort limit, a bench-fault, or nothing judged at all.
            self._count(self._bands[item, WHOLE_ITEM], result.verdict, f"{rig}: {result.reason}")

    @staticmethod
    def _count(band: _Band, verdict: Verdict, example: str) -> None:
        band.judged += 1
        if verdict is Verdict.PASS:
            return
        band.fails += verdict is Verdict.FAIL
        band.undecided += verdict is not Verdict.FAIL
        if len(band.examples) < EXAMPLES:
            band.examples.append(example)

    # -- what came of it -------------------------------------------------------------------

    @property
    def rigs(self) -> int:
        """Rigs seen."""
        return len(self._rigs)

    @property
    def failed_rigs(self) -> Mapping[str, str]:
        """Rig -> the first item that failed it, and why."""
        return dict(self._failed)

    @property
    def judgements(self) -> int:
        """Judgements that said anything."""
        return sum(band.judged for band in self._bands.values())

    @property
    def undecided(self) -> int:
        """Judgements that could not be decided, items that came to no verdict among them."""
        return sum(band.undecided for band in self._bands.values())

    def rig_fail_bound(self) -> float:
        """Upper bound of the chance that the whole plan fails a healthy rig; 1 without a rig."""
        if not self._rigs:
            return 1.0
        return upper_bound(len(self._failed), self.rigs, CONFIDENCE)

    def spread(self, item: str, measure: str) -> Spread | None:
        """Spread of a measure over the rigs; None if it never had a value."""
        values = np.frombuffer(self._values.get((item, measure), array("d")), np.float64)
        if not values.size:
            return None
        least, low, median, high, most = np.quantile(values, (0.0, 0.05, 0.5, 0.95, 1.0))
        return Spread(
            values.size, float(least), float(low), float(median), float(high), float(most)
        )

    def bands(self) -> list[BandRate]:
        """Every band of every item: those that failed first, then undecided ones, then by room."""
        found = [self._rate(item, measure, band) for (item, measure), band in self._bands.items()]
        return sorted(
            found,
            key=lambda rate: (
                -rate.fails,
                -rate.undecided,
                np.inf if rate.room is None else rate.room,
                rate.item,
                rate.measure,
            ),
        )

    def _rate(self, item: str, measure: str, band: _Band) -> BandRate:
        spread = self.spread(item, measure)
        limits: tuple[float | None, float | None] = (None, None)
        for planned in self._items[item].bands if item in self._items else ():
            if planned.measure == measure:
                limits = planned.low, planned.high
        margin = band.margin if np.isfinite(band.margin) else None
        width = spread.high - spread.low if spread is not None else 0.0
        return BandRate(
            item=item,
            measure=measure,
            unit=self._units.get(measure, "1"),
            judged=band.judged,
            fails=band.fails,
            undecided=band.undecided,
            fail_bound=upper_bound(band.fails, band.judged, CONFIDENCE),
            spread=spread,
            limits=limits,
            margin=margin,
            room=margin / width if margin is not None and width > 0.0 else None,
            examples=tuple(band.examples),
        )

    def spreads(self) -> Sequence[tuple[str, str, str, Spread]]:
        """Item, measure, unit and spread of everything measured, banded or not."""
        found = []
        for item, measure in self._values:
            spread = self.spread(item, measure)
            if spread is not None:
                found.append((item, measure, self._units[measure], spread))
        return found
