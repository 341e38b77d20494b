from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from hil.core.errors import StoreError
from hil.core.record import Entry, ItemResult, ItemStart, Note, RunEnd, RunStart
from hil.store.codec import encode
from hil.store.reading import read


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
