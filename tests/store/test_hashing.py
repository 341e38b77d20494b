"""Hashes of a folder and their chain, against hashlib and ``sha256sum``."""

import hashlib
import os
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.store.hashing import Hashed, chain, digest, hashes_below, link, names_below

hexadecimal = st.text("0123456789abcdef", min_size=64, max_size=64)
files = st.lists(st.builds(Hashed, st.text("abc/.", min_size=1, max_size=8), hexadecimal))


def test_the_digest_of_abc_is_the_published_one(tmp_path: Path) -> None:
    # FIPS 180-4, example of SHA-256 for the message "abc" (published by NIST with the standard)
    (tmp_path / "a").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest(tmp_path / "a") == expected


def test_a_file_larger_than_one_block(tmp_path: Path) -> None:
    content = os.urandom(2_500_000)
    (tmp_path / "large").write_bytes(content)
    assert digest(tmp_path / "large") == hashlib.sha256(content).hexdigest()


def test_a_file_that_is_not_there_is_a_store_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"nothing: cannot be read: No such file"):
        digest(tmp_path / "nothing")


def test_names_are_in_the_order_of_their_bytes(tmp_path: Path) -> None:
    for name in ("b", "a/z", "a.b", "B", "a/a", "ä"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(name)
    assert names_below(tmp_path, leave_out=("b",)) == ["B", "a.b", "a/a", "a/z", "ä"]
    assert hashes_below(tmp_path)[0].line == f"{hashlib.sha256(b'B').hexdigest()}  B"


@pytest.mark.parametrize("name", ["a\nb", "a\rb", "a\\b"])
def test_a_name_that_a_list_cannot_hold_is_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("x")
    with pytest.raises(StoreError, match="cannot stand in a list"):
        names_below(tmp_path)


def test_a_name_that_is_no_text_is_refused(tmp_path: Path) -> None:
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/\xff")).write_text("x")
    with pytest.raises(StoreError, match="no UTF-8 text"):
        names_below(tmp_path)


@pytest.mark.parametrize("target", [".", "nowhere", "file"])
def test_a_link_is_refused_wherever_it_points(tmp_path: Path, target: str) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "link").symlink_to(tmp_path / target)
    with pytest.raises(StoreError, match="expected a plain file"):
        names_below(tmp_path)


def test_a_pipe_is_refused(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(StoreError, match="expected a plain file"):
        names_below(tmp_path)


def test_a_link_of_the_chain_is_what_sha256sum_says() -> None:
    line = Hashed("a file", "0" * 64).line
    said = subprocess.run(
        ["sha256sum"], input=f"{'1' * 64} {line}\n".encode(), capture_output=True, check=True
    )
    assert said.stdout.decode()[:64] == link("1" * 64, line)


@given(files, st.text(max_size=5))
def test_one_link_more_than_files_and_the_same_every_time(found: list[Hashed], head: str) -> None:
    links = chain(head, found)
    assert len(links) == len(found) + 1
    assert links == chain(head, found)


@given(files.filter(bool), st.data())
def test_a_change_of_one_file_changes_its_link_and_all_after_it(
    found: list[Hashed], data: st.DataObject
) -> None:
    place = data.draw(st.integers(0, len(found) - 1))
    other = list(found)
    other[place] = Hashed(found[place].path + "x", found[place].sha256)
    before, after = chain("", found), chain("", other)
    assert before[: place + 1] == after[: place + 1]
    assert not set(before[place + 1 :]) & set(after[place + 1 :])
