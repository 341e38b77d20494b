"""Run folders on the disk: which there are, and what of a record counts."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.store.index.scan import Content, altered_inputs, content_of, folders_below, start_of
from hil.store.reading import parse

lines = st.lists(st.sampled_from([b'{"a":1}', b"{}", b'"x"', b"[1,2]"]), max_size=5)
torn = st.sampled_from([b"", b'{"a":', b'{"a":1}', b"\0\0\0\n", b'{"a":\0}\n', b"\xff\n"])


@given(whole=lines, rest=torn)
def test_only_whole_lines_count(whole: list[bytes], rest: bytes) -> None:
    kept = b"".join(line + b"\n" for line in whole)
    content = Content(kept + rest)
    assert content.length == len(kept)
    assert content.digest() == hashlib.sha256(kept).hexdigest()


@given(first=lines, more=lines, rest=torn)
def test_what_was_appended_to_is_a_continuation_and_what_was_cut_is_none(
    first: list[bytes], more: list[bytes], rest: bytes
) -> None:
    before = b"".join(line + b"\n" for line in first)
    after = before + b"".join(line + b"\n" for line in more)
    old, new = Content(before + rest), Content(after)
    assert new.continues(old.length, old.digest())
    assert old.continues(new.length, new.digest()) is (not more)


@given(whole=lines.filter(bool), at=st.integers(0, 99))
def test_a_changed_byte_before_what_was_appended_is_no_continuation(
    whole: list[bytes], at: int
) -> None:
    data = b"".join(line + b"\n" for line in whole)
    changed = bytearray(data)
    changed[at % len(data)] ^= 1
    old = Content(data)
    assert not Content(bytes(changed) + b"{}\n").continues(old.length, old.digest())


def test_the_whole_lines_are_those_that_reading_takes(night) -> None:
    folder = night("n1", ended=False)
    file = folder / "record.jsonl"
    for rest in (b"", b'{"kind":', b'{"kind":\0\0}\n'):
        data = file.read_bytes() + rest
        assert Content(data).length == parse(data, file).whole


@pytest.mark.parametrize("name", ["gone.yaml", "nightly\0.plan.yaml", "a" * 300])
def test_an_input_that_is_not_there_is_told_whatever_its_name(night, name: str) -> None:
    folder = night("n1")
    start = start_of(content_of(folder), folder)
    assert altered_inputs(start, folder) == ""
    told = altered_inputs(replace(start, hashes={name: "0" * 64}), folder)
    assert told.startswith(f"inputs/{name}: ")
    assert told.endswith(", the record names it")


def test_the_first_line_alone_is_read(night) -> None:
    folder = night("n1")
    file = folder / "record.jsonl"
    file.write_bytes(file.read_bytes().partition(b"\n")[0] + b"\nwhatever\n")
    assert start_of(content_of(folder), folder).run == "n1"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "record.jsonl:1: the record is empty"),
        (b'{"kind":"run-start"', "record.jsonl:1: the record is empty"),
        (b"no\n", "record.jsonl:1: not a record entry"),
        (b"no\n{}\n", "record.jsonl:1: not a record entry"),
    ],
)
def test_a_first_line_that_is_none_is_told(tmp_path: Path, data: bytes, message: str) -> None:
    with pytest.raises(StoreError, match=message):
        start_of(Content(data), tmp_path)


def test_folders_are_found_once_in_order_even_within_another(night, tmp_path: Path) -> None:
    first, second = night("n2", out=tmp_path / "b"), night("n1", out=tmp_path / "b")
    third = night("n3", out=tmp_path / "a")
    inner = night("n4", out=first / "inner")
    roots = [tmp_path, tmp_path / "b", first]
    assert list(folders_below(roots)) == [third, second, first, inner]
    assert list(folders_below([inner])) == [inner]


def test_a_root_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for root in ("none", "file"):
        with pytest.raises(StoreError, match="no such folder"):
            list(folders_below([tmp_path / root]))
