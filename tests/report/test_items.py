from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.record import ItemResult, ItemStart, Resumed, RunStart
from hil.core.verdict import SEVERITY, Judgement, Verdict
from hil.report.items import Standing, counts, listing, overall, verdict_of, worst_first
from hil.store.reading import RunRecord, read


def test_every_planned_item_is_listed_once_in_the_order_of_the_run(
    full_run: Path, start_entry: RunStart
) -> None:
    items = listing(read(full_run))
    assert tuple(item.item for item in items) == start_entry.items
    assert [item.number for item in items] == list(range(1, 9))
    assert len({item.anchor for item in items}) == 8


def test_missing_results_are_named(full_run: Path) -> None:
    found = {item.item: item for item in listing(read(full_run))}
    assert found["start-lost"].standing is Standing.INTERRUPTED
    assert "left no result" in found["start-lost"].reason
    assert found["start-never"].standing is Standing.NOT_RUN
    assert found["start-never"].result is None


def test_the_worst_come_first_and_keep_their_order(full_run: Path) -> None:
    ordered = [(str(item.standing), item.item) for item in worst_first(listing(read(full_run)))]
    assert ordered == [
        ("fail", "start-cw-hall"),
        ("fail", "start-cw-many"),
        ("fail", "start-weird"),
        ("bench-fault", "stall-locked"),
        ("interrupted", "start-lost"),
        ("undecided", "speed-step-up"),
        ("not-run", "start-never"),
        ("pass", "reversal-2000"),
    ]


def test_the_order_agrees_with_that_of_the_verdicts() -> None:
    order = [standing for standing in Standing if standing is not Standing.INTERRUPTED]
    assert [verdict_of(standing) for standing in order] == list(SEVERITY)


def test_counts_list_every_standing(full_run: Path) -> None:
    found = counts(listing(read(full_run)))
    assert list(found) == list(Standing)
    assert found[Standing.FAIL] == 3
    assert sum(found.values()) == 8


def test_a_run_is_as_good_as_its_worst_item(
    start_entry: RunStart, make_result: Callable[..., ItemResult]
) -> None:
    start = replace(start_entry, items=("a",))
    good = RunRecord(Path(), start, (start, make_result("a", Verdict.PASS)))
    assert overall(listing(good)) is Standing.PASS
    lost = ItemStart(item="b", utc="u", position=2, of=2)
    assert overall(listing(replace(good, entries=(*good.entries, lost)))) is Standing.INTERRUPTED
    assert overall(()) is Standing.NOT_RUN


def test_a_later_pass_does_not_erase_a_fail(
    start_entry: RunStart, make_result: Callable[..., ItemResult]
) -> None:
    start = replace(start_entry, items=("a",))
    entries = (start, make_result("a", Verdict.FAIL), make_result("a", Verdict.PASS))
    items = listing(RunRecord(Path(), start, entries))
    assert [item.name for item in items] == ["a", "a (attempt 2)"]
    assert overall(items) is Standing.FAIL


def test_notes_go_to_their_item(full_run: Path) -> None:
    found = {item.item: item.notes for item in listing(read(full_run))}
    assert [note.text for note in found["stall-locked"]] == ["the supply refused 24 V"]
    assert found["reversal-2000"] == ()


def test_an_interrupted_attempt_and_its_repetition_are_both_listed(
    start_entry: RunStart, make_result: Callable[..., ItemResult]
) -> None:
    start = replace(start_entry, items=("a",))
    begun = ItemStart(item="a", utc="u", position=1, of=1)
    entries = (start, begun, replace(begun, utc="v"), make_result("a", Verdict.PASS))
    found = [(i.name, i.standing) for i in listing(RunRecord(Path(), start, entries))]
    assert found == [("a", Standing.INTERRUPTED), ("a (attempt 2)", Standing.PASS)]


def interrupted(result: ItemResult) -> ItemResult:
    return replace(result, verdict=Verdict.NOT_RUN, reason="interrupted: Ctrl-C", interrupted=True)


def formerly(result: ItemResult) -> ItemResult:
    reason = "bench: interrupted: Ctrl-C"
    return replace(result, verdict=Verdict.BENCH_FAULT, reason=reason)


@pytest.mark.parametrize("as_told", [interrupted, formerly])
def test_an_item_that_ended_with_the_run_is_interrupted_once_and_keeps_what_it_recorded(
    start_entry: RunStart, make_result: Callable[..., ItemResult], as_told
) -> None:
    start = replace(start_entry, items=("a",))
    begun = ItemStart(item="a", utc="u", position=1, of=1)
    ended = as_told(make_result("a", Verdict.PASS))
    (item,) = listing(RunRecord(Path(), start, (start, begun, ended)))
    assert (item.standing, item.reason) == (Standing.INTERRUPTED, "interrupted: Ctrl-C")
    assert item.result is ended


def test_what_ended_with_the_run_and_was_run_again_is_left_out_but_for_a_fail(
    start_entry: RunStart, make_result: Callable[..., ItemResult]
) -> None:
    start = replace(start_entry, items=("a",))
    begun = ItemStart(item="a", utc="u", position=1, of=1)
    part = Resumed(utc="u", number=1, bench="twin", kept=0, again=("a",))
    rest = (part, begun, make_result("a", Verdict.PASS))
    for judged, told in (
        (make_result("a", Verdict.PASS), [("a", Standing.PASS)]),
        (
            make_result("a", Verdict.FAIL, judgements=(_broken(),)),
            [("a", Standing.INTERRUPTED), ("a (attempt 2)", Standing.PASS)],
        ),
    ):
        record = RunRecord(Path(), start, (start, begun, interrupted(judged), *rest))
        assert [(i.name, i.standing) for i in listing(record)] == told
        assert len(listing(record, every_part=True)) == 2


def _broken() -> Judgement:
    measure = Measure("x", "s", 2.0)
    return Judgement(Band("x", 0.0, 1.0, "s"), measure, Verdict.FAIL, "x is 2 s")


@pytest.mark.parametrize("standing", list(Standing))
def test_every_standing_is_explained(standing: Standing) -> None:
    assert standing.meaning.endswith(".")
