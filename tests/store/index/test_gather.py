"""A record to rows: what is kept of each measure, and what of the run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.band import Band
from hil.core.errors import StoreError
from hil.core.measure import Measure, Outcome
from hil.core.record import Entry, Identity, ItemResult, ItemStart, RunEnd, RunStart
from hil.core.verdict import Judgement, Verdict
from hil.store.index.gather import clean, gather, milliseconds
from hil.store.index.rows import OUTCOMES, VERDICTS
from hil.store.reading import RunRecord
from hil.store.table import judged

UTC = "2026-03-01T22:15:09.123Z"
START = RunStart(run="r", utc=UTC, simulated=False, bench="b", rig="pump", plans=("p.plan.yaml",))


def record(*entries: Entry, start: RunStart = START) -> RunRecord:
    return RunRecord(Path("r"), start, (start, *entries))


def result(*measures: Measure, judgements: tuple[Judgement, ...] = (), **facts) -> ItemResult:
    usual = ItemResult(
        item="a", scenario="start", plan="p", title="", conditions={}, verdict=Verdict.PASS,
        reason="why", utc=UTC, duration=1.0, measures=measures, judgements=judgements,
        repeats=(1,) * len(measures),
    )  # fmt: skip
    return replace(usual, **facts)


def columns(*entries: Entry) -> list[dict[str, object]]:
    names = ("repeat", "value", "uncertainty", "low", "high", "verdict", "outcome")
    found = [
        dict(zip(names, values, strict=True)) | {"measure": key[2]}
        for _, key, values in gather(record(*entries)).figures
    ]
    for one in found:
        one["verdict"] = VERDICTS[one["verdict"]]
        one["outcome"] = OUTCOMES[one["outcome"]]
    return found


PEAK = Measure("peak-current", "A", 3.0, 0.1)


def test_a_measure_with_two_bands_is_one_figure_with_the_tighter_limits_and_the_worst_verdict() -> (
    None
):
    wide, tight = Band("peak-current", 0.0, 9.0, "A"), Band("peak-current", 1.0, None, "A")
    two = (
        Judgement(wide, PEAK, Verdict.PASS, "", repeat=1),
        Judgement(tight, PEAK, Verdict.UNDECIDED, "", repeat=1),
    )
    (figure,) = columns(result(PEAK, judgements=two))
    assert (figure["low"], figure["high"], figure["verdict"]) == (1.0, 9.0, "undecided")


def test_a_figure_of_the_item_as_a_whole_has_repeat_0() -> None:
    rate = Measure("success-rate", "%", 99.0)
    judgement = Judgement(Band("success-rate", 95.0, None, "%"), rate, Verdict.PASS, "")
    figures = columns(result(PEAK, judgements=(judgement,)))
    assert [(f["measure"], f["repeat"]) for f in figures] == [
        ("peak-current", 1), ("success-rate", 0),
    ]  # fmt: skip
    assert (figures[1]["value"], figures[1]["verdict"]) == (99.0, "pass")


def test_what_has_no_value_is_a_figure_with_its_outcome() -> None:
    never = Measure.absent("time-to-speed", "s", Outcome.NEVER_REACHED, "stuck")
    fails = Judgement(Band("time-to-speed", None, 1.0, "s"), never, Verdict.FAIL, "", repeat=1)
    (figure,) = columns(result(never, judgements=(fails,)))
    assert (figure["value"], figure["verdict"], figure["outcome"]) == (
        None, "fail", "never reached",
    )  # fmt: skip


def test_a_measure_without_meaning_is_left_out_unless_it_has_a_band() -> None:
    none = Measure.absent("handover-dip", "%", Outcome.NOT_APPLICABLE, "a Hall start has none")
    assert columns(result(none)) == []
    judgement = Judgement(Band("handover-dip", None, 9.0, "%"), none, Verdict.NOT_RUN, "", repeat=1)
    (figure,) = columns(result(none, judgements=(judgement,)))
    assert figure["verdict"] == "not-run"


def test_every_verdict_and_outcome_has_its_code() -> None:
    assert set(VERDICTS) == {"", *(verdict.value for verdict in Verdict)}
    assert set(OUTCOMES) == {outcome.value for outcome in Outcome}
    assert VERDICTS[:3] == ("", "pass", "fail"), "codes in databases must not change"


def test_the_build_is_what_the_board_reported_as_soon_as_it_did() -> None:
    supply = Identity(role="supply", revision="1.0")
    board = Identity(role="board", revision="5EED0001")
    end = RunEnd(utc=UTC, reason="completed", counts={}, identities=(supply, board))
    assert gather(record(end)).run["build"] == "5EED0001"
    early = replace(START, identities=(supply, replace(board, revision="AAAA")))
    assert gather(record(end, start=early)).run["build"] == "AAAA"
    assert gather(record()).run["build"] == ""


def test_an_item_in_the_midst_of_which_the_run_was_ended_is_counted_once_as_interrupted() -> None:
    begun = ItemStart(item="a", utc=UTC, position=1, of=2)
    ended = result(verdict=Verdict.NOT_RUN, reason="interrupted: Ctrl-C", interrupted=True)
    left_out = result(item="b", verdict=Verdict.NOT_RUN, reason="interrupted: Ctrl-C")
    run = gather(record(begun, ended, left_out)).run
    assert (run["interrupted"], run["not_run"], run["bench_fault"]) == (1, 1, 0)


def test_a_run_without_an_end_and_what_is_missing_in_it() -> None:
    start = replace(START, items=("a", "b", "c"), commit="c0ffee", simulated=True)
    begun = ItemStart(item="b", utc=UTC, position=2, of=3)
    run = gather(record(result(), begun, start=start)).run
    assert (run["ended"], run["end_reason"]) == ("", "")
    assert (run["interrupted"], run["never_begun"], run["passed"]) == (1, 1, 1)
    assert (run["commit_id"], run["evidence"]) == ("c0ffee", "simulated")


@pytest.mark.parametrize(
    ("utc", "expected"),
    [
        ("1970-01-01T00:00:01.5Z", 1500),
        ("1970-01-01T01:00:00+01:00", 0),
        ("1970-01-02", 86_400_000),
        ("1969-12-31T23:59:59Z", -1000),
    ],
)
def test_times_in_milliseconds(utc: str, expected: int) -> None:
    assert milliseconds(utc, "here") == expected


@pytest.mark.parametrize("utc", ["", "now", "2026-13-01", "2026-03-01T25:00:00Z"])
def test_what_is_no_time_is_refused(utc: str) -> None:
    with pytest.raises(StoreError, match="here: not a time"):
        milliseconds(utc, "here")


@given(st.text(st.characters(codec=None)))
def test_cleaned_text_is_text_that_any_database_holds(text: str) -> None:
    cleaned = clean(text)
    assert "\0" not in cleaned
    cleaned.encode("utf-8")
    assert clean(cleaned) == cleaned


@given(data=st.data())
def test_any_record_gives_rows_or_a_store_error(entries, data: st.DataObject) -> None:
    drawn = data.draw(st.lists(entries, max_size=4))
    found = record(*(entry for entry in drawn if not isinstance(entry, RunStart)))
    try:
        gathered = gather(found)
    except StoreError:
        return
    assert len(gathered.items) == len(found.results)
    assert gathered.run["measures"] == len(gathered.figures)
    kept = {
        (position, clean(measure.name), repeat)
        for position, one in enumerate(found.results)
        for measure, repeat, judgement in judged(one)
        if judgement or measure.outcome is not Outcome.NOT_APPLICABLE
    }
    assert {(at, key[2], values[0]) for at, key, values in gathered.figures} == kept
