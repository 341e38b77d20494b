"""What was measured for a release, against the release before."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.core.record import ItemResult
from hil.core.verdict import Judgement, Verdict, combine
from hil.report.dossier.measured import (
    ALONE,
    NEW,
    NO_VALUE_NOW,
    NO_VALUE_THEN,
    OTHER_UNIT,
    THEN_BENCH,
    THEN_SIMULATED,
    Compared,
    Source,
    compare,
    gather,
)
from hil.report.items import Item, Standing

LIMIT = 1.0


def twice(name: str, value: float, **more: Any) -> Item:
    """An item of two repetitions that agree: what they differ by is known."""
    return item(name, *(judged(value, repeat=n, **more) for n in (1, 2)))


def judged(
    value: float | None, *, low: float | None = None, high: float | None = LIMIT,
    measure: str = "time-to-speed", repeat: int = 1, verdict: Verdict | None = None,
    unit: str = "s", uncertainty: float = 0.01,
) -> Judgement:  # fmt: skip
    band = Band(measure, low, high, unit)
    if value is None:
        nothing = Measure.absent(measure, unit, Outcome.NEVER_REACHED, "")
        return Judgement(band, nothing, verdict or Verdict.FAIL, "", repeat=repeat)
    sides = [value - low] if low is not None else []
    margin = min([*sides, high - value] if high is not None else sides)
    found = verdict or (Verdict.PASS if margin >= 0.0 else Verdict.FAIL)
    number = Measure(measure, unit, value, uncertainty)
    return Judgement(band, number, found, "", margin=margin, repeat=repeat)


def item(name: str, *judgements: Judgement, number: int = 1, plan: str = "nightly") -> Item:
    verdict = combine(one.verdict for one in judgements)
    result = ItemResult(
        item=name, scenario="start", plan=plan, title="", conditions={}, verdict=verdict,
        reason="", utc="2026-03-01T22:15:09Z", duration=1.0, judgements=judgements,
    )  # fmt: skip
    return Item(name, name, Standing(verdict.value), "", number, result)


def source(*items: Item, run: str = "night", simulated: bool = False, **more: object) -> Source:
    return Source(run, simulated, items, **more)  # type: ignore[arg-type]


def held(then: Iterable[Source], now: Iterable[Source]) -> Compared:
    return compare(gather(then), gather(now))


def test_means_of_repetitions_and_the_smallest_margin() -> None:
    before = [source(item("start", judged(0.5, repeat=1), judged(0.7, repeat=2)))]
    after = [source(item("start", *(judged(0.8 + n / 100, repeat=n) for n in (1, 2, 3))))]
    (row,) = held(before, after).rows
    assert row.then is not None
    assert row.now is not None
    assert (row.then.value, row.then.count) == (pytest.approx(0.6), 2)
    assert (row.now.value, row.now.count) == (pytest.approx(0.82), 3)
    assert row.nearest.margin == pytest.approx(0.17)
    assert row.share == pytest.approx(17.0)
    assert row.little


def test_repetitions_of_several_runs_are_one_sample() -> None:
    runs = [source(item("start", judged(value)), run=f"n{value}") for value in (0.4, 0.6)]
    (row,) = held([source(item("start", judged(0.5)))], runs).rows
    assert row.now is not None
    assert row.now.count == 2
    assert row.move is not None
    assert row.move.difference == pytest.approx(0.0)


def test_a_repetition_that_two_bands_judge_is_one_value_and_the_nearer_band_counts() -> None:
    both = item("start", judged(0.5, high=2.0), judged(0.5, high=0.6))
    (row,) = held([source(both)], [source(both)]).rows
    assert row.now is not None
    assert row.now.count == 1
    assert row.nearest.band.high == 0.6


def test_the_worst_first_beyond_and_towards_before_little_left_before_the_rest() -> None:
    values = {
        "quiet": (0.5, 0.5), "away": (0.5, 0.3), "near": (0.9, 0.9), "nearer": (0.5, 0.6),
        "nearest": (0.5, 0.95), "chance": (0.5, 0.51),
    }  # fmt: skip
    before = [source(*(twice(name, then) for name, (then, _) in values.items()))]
    after = [source(*(twice(name, now) for name, (_, now) in values.items()))]
    found = held(before, after)
    order = [row.key.item for row in found.rows]
    assert order == ["nearest", "nearer", "near", "away", "chance", "quiet"]
    assert [row.key.item for row in found.notable] == ["nearest", "nearer", "near"]
    assert [row.key.item for row in found.rest] == ["away", "chance", "quiet"]
    assert [row.towards for row in found.rows] == [True, True, False, False, False, False]
    assert [row.little for row in found.rows] == [True, False, True, False, False, False]


def test_what_was_measured_once_then_and_now_is_not_called_moved() -> None:
    values = {"nearer": (0.5, 0.7), "farther": (0.7, 0.5), "near": (0.9, 0.95), "quiet": (0.5, 0.5)}
    before = [source(*(item(name, judged(then)) for name, (then, _) in values.items()))]
    after = [source(*(item(name, judged(now)) for name, (_, now) in values.items()))]
    found = held(before, after)
    assert [row.key.item for row in found.rows] == ["near", "nearer", "farther", "quiet"]
    assert [row.open for row in found.rows] == [True, True, True, False]
    assert not any(row.towards or row.away for row in found.rows)
    assert [row.key.item for row in found.notable] == ["near"], "little of its band is left"
    runs = [source(item("nearer", judged(v)), run=str(v)) for v in (0.49, 0.5, 0.51)]
    (row,) = held(runs, [source(item("nearer", judged(0.7)))]).rows
    assert row.towards, "earlier runs tell what one start differs by from the next"


@pytest.mark.parametrize("simulated", [True, False])
def test_simulated_and_bench_are_never_compared(simulated: bool) -> None:
    one = item("start", judged(0.5))
    found = held([source(one, simulated=not simulated)], [source(one, simulated=simulated)])
    (row,) = found.rows
    assert row.move is None
    assert row.then is None
    assert row.apart == (THEN_BENCH if simulated else THEN_SIMULATED)
    assert found.both == ()


def test_of_both_kinds_each_is_compared_with_its_own() -> None:
    before = [
        source(item("start", judged(0.2)), simulated=True),
        source(item("start", judged(0.5))),
    ]
    after = [
        source(item("start", judged(0.2)), simulated=True),
        source(item("start", judged(0.6))),
    ]
    rows = {row.key.simulated: row for row in held(before, after).rows}
    bench, simulated = rows[False].move, rows[True].move
    assert bench is not None
    assert simulated is not None
    assert bench.difference == pytest.approx(0.1)
    assert simulated.difference == 0.0


@pytest.mark.parametrize(
    ("then", "now", "why"),
    [
        (judged(0.5), judged(None), NO_VALUE_NOW),
        (judged(None), judged(0.5), NO_VALUE_THEN),
        (judged(0.5, unit="1"), judged(0.5), OTHER_UNIT),
        (judged(0.5, measure="other"), judged(0.5), NEW),
    ],
)
def test_why_nothing_is_compared(then: Judgement, now: Judgement, why: str) -> None:
    (row,) = held([source(item("start", then))], [source(item("start", now))]).rows
    assert row.apart == why
    assert row.move is None


def test_repetitions_without_a_value_are_counted() -> None:
    now = source(item("start", judged(0.5, repeat=1), judged(None, repeat=2)))
    (row,) = held([source(item("start", judged(0.5)))], [now]).rows
    assert row.lacking == (0, 1)
    assert row.verdict is Verdict.FAIL
    assert row.now is not None
    assert row.now.count == 1


def test_what_does_not_pass_has_no_warning_on_top() -> None:
    out = judged(1.2)
    doubtful = judged(0.99, verdict=Verdict.UNDECIDED)
    for one in (out, doubtful):
        (row,) = held([source(twice("s", 0.5))], [source(item("s", one))]).rows
        assert not row.little
        assert row.towards


def test_an_attempt_that_says_nothing_has_no_numbers() -> None:
    broken = item("start", judged(0.5))
    faulty = Item("start", "start", Standing.BENCH_FAULT, "", 1, broken.result)
    lost = Item("start", "start", Standing.INTERRUPTED, "", 2)
    assert gather([source(faulty, lost)]).of == {}


def test_without_a_release_before_little_left_is_still_found() -> None:
    found = compare(None, gather([source(item("a", judged(0.9)), item("b", judged(0.5)))]))
    assert not found.before
    assert [row.key.item for row in found.notable] == ["a"]
    assert {row.apart for row in found.rows} == {ALONE}


def test_runs_in_doubt_are_named() -> None:
    before = [source(item("s", judged(0.5)), run="old", doubts=("altered",))]
    after = [source(item("s", judged(0.5)), run="new")]
    assert held(before, after).doubted == (("old",), ())
