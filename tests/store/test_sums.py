"""The manifest of a dossier: read by ``sha256sum``, every byte of it counts."""

import hashlib
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.store.hashing import link
from hil.store.intact import ADDED, ALTERED, MISSING
from hil.store.sums import SIGNATURE, SUMS, check_sums, read_sums, write_sums

CONTENT = {"dossier.html": b"<html>", "runs/a/record.jsonl": b"{}\n", "with space": b"1", "z": b""}


def filled(folder: Path) -> Path:
    for name, content in CONTENT.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    write_sums(folder)
    return folder


@pytest.fixture
def dossier(tmp_path: Path) -> Path:
    return filled(tmp_path / "dossier")


def sha256sum(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sha256sum", "--check", "--strict", SUMS],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )


def test_sha256sum_alone_checks_every_file(dossier: Path) -> None:
    said = sha256sum(dossier)
    assert said.returncode == 0, said.stderr
    assert said.stdout.splitlines() == [f"{name}: OK" for name in sorted(CONTENT)]
    (dossier / "with space").write_bytes(b"2")
    said = sha256sum(dossier)
    assert said.returncode == 1
    assert "with space: FAILED" in said.stdout


def test_the_chain_can_be_followed_as_the_head_of_the_file_says(dossier: Path) -> None:
    lines = (dossier / SUMS).read_text().splitlines()
    here = hashlib.sha256("".join(f"{line}\n" for line in lines[:5]).encode()).hexdigest()
    assert lines[5] == f"# chain {here}"
    for file, after in zip(lines[6:-1:2], lines[7:-1:2], strict=True):
        here = link(here, file)
        assert after == f"# chain {here}"
    assert lines[-1] == f"# seal of 4 files: {here}"
    assert here == read_sums(dossier).seal == check_sums(dossier).seal


def test_differences_are_named_in_the_order_of_the_list(dossier: Path) -> None:
    (dossier / "z").unlink()
    (dossier / "dossier.html").write_bytes(b"<HTML>")
    (dossier / "runs/b").write_bytes(b"")
    found = [(one.path, one.kind) for one in check_sums(dossier).differences]
    assert found == [("dossier.html", ALTERED), ("z", MISSING), ("runs/b", ADDED)]


@settings(max_examples=200)
@given(st.data())
def test_a_single_altered_byte_anywhere_is_found_and_its_file_named(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    dossier = filled(tmp_path_factory.mktemp("dossier"))
    name = data.draw(st.sampled_from([*(n for n, c in CONTENT.items() if c), SUMS, SUMS, SUMS]))
    content = bytearray((dossier / name).read_bytes())
    place = data.draw(st.integers(0, len(content) - 1))
    content[place] = data.draw(st.integers(0, 255).filter(lambda byte: byte != content[place]))
    (dossier / name).write_bytes(content)
    assert check_sums(dossier).differences[0].path == name


def test_an_altered_hash_is_found_where_the_chain_breaks(dossier: Path) -> None:
    text = (dossier / SUMS).read_text()
    (dossier / SUMS).write_text(text.replace(hashlib.sha256(b"1").hexdigest(), "0" * 64))
    (found,) = check_sums(dossier).differences
    assert found.path == SUMS
    assert found.text == "line 12: the chain breaks at with space"


def test_a_line_that_was_taken_out_or_put_in_is_found(dossier: Path) -> None:
    lines = (dossier / SUMS).read_text().splitlines(keepends=True)
    for other in (
        lines[:-1],
        lines[:-3],
        lines[:6] + lines[8:],
        [*lines, "# a remark\n"],
        lines[1:],
        [],
    ):
        (dossier / SUMS).write_text("".join(other))
        assert check_sums(dossier).differences[0].path == SUMS


def test_the_signature_is_no_part_of_the_list(dossier: Path) -> None:
    (dossier / SIGNATURE).write_bytes(b"x")
    assert check_sums(dossier).intact


def test_a_folder_without_a_list_is_no_dossier(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no dossier, or an incomplete one"):
        check_sums(tmp_path)
