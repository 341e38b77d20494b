"""The manifest of a run folder, and what it lets a look at the folder find."""

import hashlib
import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.errors import StoreError
from hil.store.hashing import digest
from hil.store.intact import ADDED, ALTERED, MISSING, Difference, check_run
from hil.store.manifest import DERIVED, MANIFEST, THINNED, read_manifest, renew, write_manifest

UTC = "2026-03-01T22:15:09.123Z"
LATER = "2026-04-01T08:00:00.000Z"
CONTENT = {
    "record.jsonl": b'{"kind":"run-start"}\n{"kind":"run-end"}\n',
    "traces/start.1.parquet": b"PAR1 a trace",
    "traces/stall.1.parquet": b"PAR1 another",
    "inputs/rig.yaml": b"rig: pump\n",
    "report.html": b"<!doctype html>",
    "empty": b"",
}


def filled(folder: Path) -> Path:
    for name, content in CONTENT.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


@pytest.fixture
def run(tmp_path: Path) -> Path:
    folder = filled(tmp_path / "night")
    write_manifest(folder, UTC)
    return folder


def kinds(folder: Path) -> list[tuple[str, str]]:
    return [(one.path, one.kind) for one in check_run(folder).differences]


def test_it_lists_every_file_with_its_hash_and_the_chain(run: Path) -> None:
    found = json.loads((run / MANIFEST).read_text())
    assert {one["path"]: one["sha256"] for one in found["files"]} == {
        name: hashlib.sha256(content).hexdigest() for name, content in CONTENT.items()
    }
    assert found["run"] == "night"
    assert found["utc"] == UTC
    assert found["former"] == ""
    assert found["seal"] == found["files"][-1]["chain"]


def test_an_untouched_run_is_intact(run: Path) -> None:
    checked = check_run(run)
    assert checked.intact
    assert checked.files == len(CONTENT)
    assert checked.seal == read_manifest(run).seal
    assert checked.thinned == ()


def test_every_kind_of_difference_is_named(run: Path) -> None:
    (run / "inputs/rig.yaml").write_bytes(b"rig: pomp\n")
    (run / "traces/start.1.parquet").unlink()
    (run / "traces/more.parquet").write_bytes(b"x")
    (run / ".hidden").write_bytes(b"")
    assert kinds(run) == [
        ("inputs/rig.yaml", ALTERED),
        ("traces/start.1.parquet", MISSING),
        (".hidden", ADDED),
        ("traces/more.parquet", ADDED),
    ]


def test_a_run_without_a_manifest_says_why_that_may_be(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"no manifest\.json: the run did not come to its end"):
        check_run(filled(tmp_path / "killed"))


@settings(max_examples=150)
@given(st.data())
def test_a_single_altered_byte_anywhere_is_found_and_its_file_named(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    run = filled(tmp_path_factory.mktemp("run") / "night")
    write_manifest(run, UTC)
    names = [name for name, content in CONTENT.items() if content] + [MANIFEST] * 4
    name = data.draw(st.sampled_from(names))
    content = bytearray((run / name).read_bytes())
    place = data.draw(st.integers(0, len(content) - 1))
    content[place] = data.draw(st.integers(0, 255).filter(lambda byte: byte != content[place]))
    (run / name).write_bytes(content)
    assert check_run(run).differences[0].path == name


def test_where_the_chain_of_the_manifest_breaks_is_said(run: Path) -> None:
    text = (run / MANIFEST).read_text()
    old = hashlib.sha256(CONTENT["report.html"]).hexdigest()
    (run / MANIFEST).write_text(text.replace(old, "0" * 64))
    (found,) = check_run(run).differences
    assert found == Difference(MANIFEST, ALTERED, "its chain breaks at report.html")


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b"\xff", b"[" * 100_000, b'{"format":2}'])
def test_what_is_no_manifest_is_an_altered_one(run: Path, content: bytes) -> None:
    (run / MANIFEST).write_bytes(content)
    assert kinds(run) == [(MANIFEST, ALTERED)]


def test_a_record_that_grew_is_told_from_one_that_was_changed(run: Path) -> None:
    with (run / "record.jsonl").open("ab") as file:
        file.write(b'{"kind":"note"}\n')
    (found,) = check_run(run).differences
    assert found.kind == ALTERED
    assert "lines were added after the manifest" in found.text
    (run / "record.jsonl").write_bytes(b"x" + CONTENT["record.jsonl"])
    (found,) = check_run(run).differences
    assert "the manifest says" in found.text


def test_a_resumed_run_gets_a_new_manifest_that_names_the_former_one(run: Path) -> None:
    former = digest(run / MANIFEST)
    with (run / "record.jsonl").open("ab") as file:
        file.write(b'{"kind":"note"}\n')
    assert write_manifest(run, LATER).former == former
    assert check_run(run).intact


def test_renewing_what_was_derived_again_hides_nothing_else(run: Path) -> None:
    (run / "report.html").write_bytes(b"made by a later version")
    (run / "junit.xml").write_bytes(b"<testsuites/>")
    (run / "inputs/rig.yaml").write_bytes(b"rig: pomp\n")
    made = renew(run, DERIVED, LATER)
    assert made is not None
    assert kinds(run) == [("inputs/rig.yaml", ALTERED)]


def test_renewing_an_altered_manifest_is_refused(run: Path) -> None:
    (run / MANIFEST).write_text((run / MANIFEST).read_text().replace("night", "nacht"))
    with pytest.raises(StoreError, match="altered"):
        renew(run, DERIVED, LATER)


def test_there_is_nothing_to_renew_without_a_manifest(tmp_path: Path) -> None:
    folder = filled(tmp_path / "killed")
    assert renew(folder, DERIVED, LATER) is None
    assert not (folder / MANIFEST).exists()


# -- thinning ----------------------------------------------------------------------------------


def thin(run: Path, name: str, new: bytes | None, **other: object) -> None:
    old = digest(run / name)
    if new is None:
        (run / name).unlink()
    else:
        (run / name).write_bytes(new)
    told = None if new is None else hashlib.sha256(new).hexdigest()
    entry = {"file": name, "old": old, "new": told, "utc": LATER, "rule": "x", **other}
    with (run / THINNED).open("a") as file:
        file.write(json.dumps(entry) + "\n")


def test_thinned_and_removed_traces_are_told_from_alteration(run: Path) -> None:
    thin(run, "traces/start.1.parquet", b"PAR1 less")
    thin(run, "traces/stall.1.parquet", None)
    checked = check_run(run)
    assert checked.intact
    assert checked.thinned == ("traces/stall.1.parquet", "traces/start.1.parquet")
    renew(run, [THINNED], LATER)
    assert check_run(run).intact


def test_a_trace_thinned_twice_and_the_short_form_of_its_name(run: Path) -> None:
    thin(run, "traces/start.1.parquet", b"PAR1 less", file="start.1.parquet")
    thin(run, "traces/start.1.parquet", None)
    assert check_run(run).thinned == ("traces/start.1.parquet",)


def test_a_thinned_trace_that_was_altered_afterwards_is_found(run: Path) -> None:
    thin(run, "traces/start.1.parquet", b"PAR1 less")
    (run / "traces/start.1.parquet").write_bytes(b"PAR1 else")
    assert kinds(run) == [("traces/start.1.parquet", ALTERED)]


def test_nothing_but_traces_may_be_thinned(run: Path) -> None:
    thin(run, "inputs/rig.yaml", b"rig: pomp\n")
    assert kinds(run) == [("inputs/rig.yaml", ALTERED)]
    thin(run, "record.jsonl", None)
    assert ("record.jsonl", MISSING) in kinds(run)


def test_a_list_of_thinned_traces_that_cannot_be_read(run: Path) -> None:
    (run / THINNED).write_text('{"file": 1}\n')
    assert kinds(run) == [(THINNED, ALTERED)]


def test_a_list_that_was_taken_into_the_manifest_cannot_be_changed(run: Path) -> None:
    thin(run, "traces/stall.1.parquet", None)
    renew(run, [THINNED], LATER)
    (run / THINNED).write_text((run / THINNED).read_text().replace('"x"', '"y"'))
    assert kinds(run) == [(THINNED, ALTERED)]
