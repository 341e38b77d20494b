"""Counting what bands make of healthy rigs."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from hil.core.band import Band
from hil.core.verdict import Verdict
from hil.scenarios.campaign_population import (
    CONFIDENCE,
    EXAMPLES,
    WHOLE_ITEM,
    PopulationTally,
    population_tasks,
)
from hil.scenarios.campaign_task import Judged, Measured, Task, TaskResult
from hil.twin.population import Spread, Tolerances
from hil.twin.variation import Variation

BAND = Band("overshoot", None, 10.0, "%")
ITEMS: Any = {"start": SimpleNamespace(id="start", bands=(BAND,), repeats=1)}


def result(
    rig: int,
    value: float | None = 5.0,
    verdict: Verdict = Verdict.PASS,
    item: str = "start",
    judged: bool = True,
    whole: Verdict | None = None,
) -> TaskResult:
    margin = None if value is None else 10.0 - value
    return TaskResult(
        Task("p", item, variation=Variation(f"rig {rig}")),
        whole or verdict,
        "because",
        judged=(Judged("overshoot", verdict, value, margin, "said", 1),) if judged else (),
        measured=(Measured("overshoot", "%", value, 0.1, "value"),),
        bench_seconds=2.0,
        wall_seconds=0.5,
    )


def tally(*results: TaskResult) -> PopulationTally:
    found = PopulationTally(ITEMS)
    for one in results:
        found.add(one)
    return found


def test_spread_of_a_measure() -> None:
    values = np.arange(101.0) / 20.0
    (band,) = tally(*(result(n, v) for n, v in enumerate(values, 1))).bands()
    spread = band.spread
    assert (spread.count, spread.least, spread.most) == (101, 0.0, 5.0)
    assert (spread.low, spread.median, spread.high) == pytest.approx((0.25, 2.5, 4.75))
    assert band.limits == (None, 10.0)
    assert band.unit == "%"
    assert band.margin == pytest.approx(5.0)
    assert band.room == pytest.approx(5.0 / 4.5)


def test_a_thousand_rigs_without_a_fail_show_a_small_chance() -> None:
    """1 - 0.05^(1/1000), the exact bound of zero failures (success run)."""
    (band,) = tally(*(result(n) for n in range(1, 1001))).bands()
    assert (band.judged, band.fails) == (1000, 0)
    assert band.fail_bound == pytest.approx(1.0 - 0.05 ** (1.0 / 1000.0), rel=1e-9)
    assert band.room is None, "all values alike have no width"


def test_fails_are_counted_with_their_bound() -> None:
    results = [result(n) for n in range(1, 60)] + [result(60, 12.0, Verdict.FAIL)]
    found = tally(*results)
    (band,) = found.bands()
    # Clopper-Pearson, 1 of 60, one-sided 95 %: P(X <= 1 | p) = 0.05
    p = band.fail_bound
    assert (1 - p) ** 60 + 60 * p * (1 - p) ** 59 == pytest.approx(1.0 - CONFIDENCE, rel=1e-6)
    assert band.margin == pytest.approx(-2.0)
    assert band.examples == ("rig 60: said",)
    assert found.failed_rigs == {"rig 60": "start: because"}
    assert found.rig_fail_bound() == pytest.approx(p)


def test_a_rig_that_fails_twice_counts_once() -> None:
    found = tally(
        result(1, 12.0, Verdict.FAIL), result(1, 13.0, Verdict.FAIL, item="other"), result(2)
    )
    assert found.rigs == 2
    assert list(found.failed_rigs) == ["rig 1"]


def test_undecided_is_neither_pass_nor_fail() -> None:
    found = tally(result(1), result(2, None, Verdict.UNDECIDED))
    (band,) = found.bands()
    assert (band.judged, band.fails, band.undecided) == (2, 0, 1)
    assert (found.judgements, found.undecided) == (2, 1)
    assert found.failed_rigs == {}
    assert band.spread.count == 1


def test_what_does_not_apply_is_not_counted() -> None:
    found = tally(result(1, None, Verdict.NOT_RUN, whole=Verdict.PASS))
    assert [b.measure for b in found.bands()] == [WHOLE_ITEM]
    assert found.undecided == 0


def test_an_item_that_ended_early_is_blamed_on_no_band() -> None:
    found = tally(
        result(1, judged=False, whole=Verdict.FAIL, value=None),
        result(2, judged=False, whole=Verdict.BENCH_FAULT, value=None),
    )
    (band,) = found.bands()
    assert (band.measure, band.fails, band.undecided) == (WHOLE_ITEM, 1, 1)
    assert band.examples == ("rig 1: because", "rig 2: because")
    assert list(found.failed_rigs) == ["rig 1"], "a bench-fault blames no firmware"


def test_worst_first() -> None:
    results = []
    for rig in range(1, 21):
        results.append(result(rig, 5.0 + rig / 10.0, item="roomy"))
        results.append(result(rig, 9.0 + rig / 100.0, item="close"))
        results.append(result(rig, item="unsure", verdict=Verdict.UNDECIDED))
        results.append(
            result(rig, 12.0 if rig == 3 else 5.0, Verdict.FAIL if rig == 3 else Verdict.PASS)
        )
    found = tally(*results).bands()
    # 0.8 % of margin in 0.17 % of width is more room than 3 % in 1.7 %
    assert [b.item for b in found] == ["start", "unsure", "roomy", "close"]
    assert found[2].room < found[3].room


def test_few_examples_are_kept() -> None:
    (band,) = tally(*(result(n, 12.0, Verdict.FAIL) for n in range(1, 50))).bands()
    assert len(band.examples) == EXAMPLES
    assert band.fails == 49


def test_times_and_verdicts_add_up() -> None:
    found = tally(result(1), result(2), result(3, 12.0, Verdict.FAIL))
    assert found.verdicts[Verdict.PASS] == 2
    assert found.verdicts[Verdict.FAIL] == 1
    assert (found.bench_seconds, found.wall_seconds) == (6.0, 1.5)


def test_measures_without_a_band_are_spread_too() -> None:
    found = tally(result(1, judged=False), result(2, 7.0, judged=False))
    ((item, measure, unit, spread),) = found.spreads()
    assert (item, measure, unit, spread.count) == ("start", "overshoot", "%", 2)


def test_nothing_yet() -> None:
    empty = PopulationTally(ITEMS)
    assert (empty.rigs, empty.bands(), empty.spreads()) == (0, [], [])
    assert empty.rig_fail_bound() == 1.0, "no rig shows nothing"


def test_tasks_rig_by_rig() -> None:
    items: Any = [SimpleNamespace(id="a"), SimpleNamespace(id="b")]
    tolerances = Tolerances(resistance=Spread(0.1))
    tasks = population_tasks("p", "r", items, tolerances, rigs=3, seed=5)
    assert [(t.variation.name, t.item) for t in tasks] == [
        (f"rig {n}", item) for n in (1, 2, 3) for item in ("a", "b")
    ]
    assert tasks[0].variation is not tasks[2].variation
    assert tasks[0].variation == tasks[1].variation, "one rig, two items"
    assert len({t.seed for t in tasks}) == 3
    assert {(t.plan, t.rig) for t in tasks} == {("p", "r")}


def test_rig_n_is_the_same_in_a_larger_population() -> None:
    items: Any = [SimpleNamespace(id="a")]
    tolerances = Tolerances(resistance=Spread(0.1))
    few = population_tasks("p", "r", items, tolerances, rigs=3, seed=5)
    many = population_tasks("p", "r", items, tolerances, rigs=30, seed=5)
    later = population_tasks("p", "r", items, tolerances, rigs=2, seed=5, first=2)
    assert many[:3] == few
    assert later == few[1:]
