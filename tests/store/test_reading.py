from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.core.record import Entry, ItemResult, ItemStart, Note, Resumed, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.store.codec import encode
from hil.store.reading import RECORD, RunRecord, parse, read, was_interrupted

UTC = "2026-03-01T22:15:09.123Z"


def _write(folder: Path, *entries: Entry, rest: bytes = b"") -> Path:
    content = "".join(encode(entry) + "\n" for entry in entries)
    (folder / "record.jsonl").write_bytes(content.encode() + rest)
    return folder


def test_a_complete_run(
    tmp_path: Path,
    run_start: RunStart,
    item_start: ItemStart,
    item_result: ItemResult,
    run_end: RunEnd,
) -> None:
    note = Note(utc="u", text="reconnected", item="a")
    record = read(_write(tmp_path, run_start, item_start, note, item_result, run_end))
    assert record.start == run_start
    assert record.results == (item_result,)
    assert record.notes == (note,)
    assert record.end == run_end
    assert record.interrupted == ()
    assert record.never_begun == ("b", "c")
    assert not record.unfinished
    assert read(tmp_path / "record.jsonl") == record


def test_an_item_without_result_is_interrupted(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    lost = replace(item_start, item="b", position=2)
    record = read(_write(tmp_path, run_start, item_start, item_result, lost))
    assert record.interrupted == (lost,)
    assert record.never_begun == ("c",)
    assert record.end is None


def test_an_interrupted_attempt_stays_visible_after_a_complete_one(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    again = replace(item_start, utc="later")
    record = read(_write(tmp_path, run_start, item_start, again, item_result))
    assert record.interrupted == (item_start,)
    assert record.results == (item_result,)


INTERRUPTED = {"verdict": Verdict.NOT_RUN, "reason": "interrupted: Ctrl-C", "interrupted": True}
#: As records had it that were written before results said so by themselves.
FORMERLY = {"verdict": Verdict.BENCH_FAULT, "reason": "bench: interrupted: Ctrl-C"}


@pytest.mark.parametrize("told", [INTERRUPTED, FORMERLY])
def test_an_item_that_was_ended_with_the_run_is_interrupted_and_keeps_its_evidence(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, item_result: ItemResult, told
) -> None:
    ended = replace(item_result, **told)
    record = read(_write(tmp_path, run_start, item_start, ended))
    assert was_interrupted(record.results[0])
    assert record.interrupted == (item_start,)
    assert record.lost == ()
    assert record.results == (ended,)
    again = replace(item_start, utc="later")
    (tmp_path / "again").mkdir()
    part = Resumed(utc="u", number=1, bench="twin", kept=0, again=("a",))
    went_on = (run_start, item_start, ended, part, again, item_result)
    record = read(_write(tmp_path / "again", *went_on))
    assert (record.interrupted, record.results) == ((), (item_result,))


@pytest.mark.parametrize(
    ("verdict", "reason"),
    [
        (Verdict.NOT_RUN, "interrupted: Ctrl-C"),  # never begun
        (Verdict.FAIL, "bench: interrupted: Ctrl-C"),
        (Verdict.BENCH_FAULT, "bench: cut short: Timeout"),
        (Verdict.BENCH_FAULT, "bench: the supply does not answer"),
    ],
)
def test_no_other_result_is_one_of_an_interruption(item_result, verdict, reason) -> None:
    assert not was_interrupted(replace(item_result, verdict=verdict, reason=reason))


@pytest.mark.parametrize("keep", [1, 10, -1])
def test_an_unfinished_last_line_is_tolerated_and_reported(
    tmp_path: Path,
    run_start: RunStart,
    item_start: ItemStart,
    item_result: ItemResult,
    keep: int,
) -> None:
    rest = encode(item_result).encode()[:keep]
    record = read(_write(tmp_path, run_start, item_start, rest=rest))
    assert record.unfinished
    assert record.interrupted == (item_start,)
    assert record.results == ()


def test_a_whole_last_line_without_its_line_end_is_not_trusted(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    record = read(_write(tmp_path, run_start, item_start, rest=encode(item_result).encode()))
    assert record.unfinished
    assert record.results == ()


@pytest.mark.parametrize("bad", [b"{}\n", b"\n", b'{"kind":"note"}\n', b"\xff\xfe\n"])
def test_any_other_unreadable_line_is_an_error_with_its_place(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, bad: bytes
) -> None:
    _write(tmp_path, run_start)
    with (tmp_path / "record.jsonl").open("ab") as file:
        file.write(bad + encode(item_start).encode() + b"\n")
    with pytest.raises(StoreError, match=r"record\.jsonl:2: "):
        read(tmp_path)


def test_a_record_begins_with_one_run_start(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart
) -> None:
    with pytest.raises(StoreError, match=r"record\.jsonl:1: expected a run-start"):
        read(_write(tmp_path, item_start))
    with pytest.raises(StoreError, match=r"record\.jsonl:2: a second run-start"):
        read(_write(tmp_path, run_start, run_start))


@pytest.mark.parametrize("rest", [b"", b'{"kind":"run-st'])
def test_an_empty_record_is_an_error(tmp_path: Path, rest: bytes) -> None:
    with pytest.raises(StoreError, match="the record is empty"):
        read(_write(tmp_path, rest=rest))


def test_no_record_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"record\.jsonl: no readable record"):
        read(tmp_path)


# -- runs that went on after an interruption -------------------------------------------------------


def resumed(number: int, *again: str) -> Resumed:
    return Resumed(utc=UTC, number=number, bench="twin", kept=0, again=again)


def run_of(tmp_path: Path, *entries: Entry) -> RunRecord:
    (tmp_path / RECORD).write_text("".join(encode(entry) + "\n" for entry in entries))
    return read(tmp_path)


def test_what_a_later_part_begins_anew_is_replaced(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    end = RunEnd(utc=UTC, reason="interrupted: Ctrl-C", counts={})
    not_run = replace(item_result, item="b", verdict=Verdict.NOT_RUN)
    b_start, b = replace(item_start, item="b"), replace(item_result, item="b")
    record = run_of(
        tmp_path, run_start, item_start, not_run, end, resumed(1, "a", "b"), item_start, b_start, b
    )
    assert record.interrupted == (item_start,)  # the one of the second part
    assert record.results == (b,)
    assert record.end is None  # the end was that of the first part
    assert record.never_begun == ("c",)


def test_what_a_later_part_never_came_to_stays_as_it_was(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    not_run = replace(item_result, item="b", verdict=Verdict.NOT_RUN)
    record = run_of(tmp_path, run_start, item_start, not_run, resumed(1, "a", "b"))
    assert record.interrupted == (item_start,)
    assert record.results == (not_run,)


def test_a_verdict_is_never_replaced_unless_the_part_says_so(
    tmp_path: Path, run_start: RunStart, item_start: ItemStart, item_result: ItemResult
) -> None:
    first = replace(item_result, verdict=Verdict.FAIL)
    second = replace(item_result, verdict=Verdict.PASS)
    record = run_of(tmp_path, run_start, item_start, first, resumed(1, "b"), item_start, second)
    assert record.results == (first, second)


def test_results_of_a_resumed_run_come_in_the_order_planned(
    tmp_path: Path, run_start: RunStart, item_result: ItemResult
) -> None:
    a, b, c = (replace(item_result, item=name) for name in "abc")
    assert [r.item for r in run_of(tmp_path, run_start, c, resumed(1, "a", "b"), b, a).results] == [
        "a", "b", "c",
    ]  # fmt: skip


@given(st.data())
def test_a_long_last_line_torn_in_any_way_is_reported_and_costs_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    start = RunStart(run="r", utc=UTC, simulated=True, bench="twin", rig="x", items=("a",))
    whole = (encode(start) + "\n").encode()
    line = bytearray((encode(Note(utc=UTC, text="x" * 3000)) + "\n").encode())
    for first in data.draw(st.lists(st.integers(0, len(line) // 512), min_size=1)):
        part = slice(first * 512, min((first + 1) * 512, len(line)))
        line[part] = bytes(part.stop - part.start)
    record = parse(whole + bytes(line), tmp_path_factory.getbasetemp() / RECORD)
    assert record.unfinished
    assert record.entries == (start,)
    assert record.whole == len(whole)


def test_a_last_line_that_is_whole_and_wrong_is_no_power_loss(
    tmp_path: Path, run_start: RunStart
) -> None:
    (tmp_path / RECORD).write_text(encode(run_start) + '\n{"kind":"notes"}\n')
    with pytest.raises(StoreError, match="2: unknown kind"):
        read(tmp_path)
