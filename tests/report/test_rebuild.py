from __future__ import annotations

import json
from pathlib import Path

import pytest

from hil.core.errors import StoreError
from hil.report.rebuild import rebuild
from hil.report.summary import facts
from hil.store.folder import RunFolder
from hil.store.reading import read

DERIVED = ("junit.xml", "measures.csv", "report.html")


def test_everything_derived_comes_back_from_the_record_alone(full_run: Path) -> None:
    rebuild(full_run)
    first = {name: (full_run / name).read_bytes() for name in DERIVED}
    for name in (*DERIVED, "plotly.min.js"):
        (full_run / name).unlink()
    record = rebuild(str(full_run))
    assert {name: (full_run / name).read_bytes() for name in DERIVED} == first
    assert record == read(full_run)


def test_rebuilding_leaves_record_and_traces_alone(full_run: Path) -> None:
    kept = [full_run / "record.jsonl", *(full_run / "traces").iterdir()]
    before = [path.read_bytes() for path in kept]
    rebuild(full_run)
    assert [path.read_bytes() for path in kept] == before
    left = {path.name for path in full_run.iterdir()}
    assert left == {*DERIVED, "record.jsonl", "plotly.min.js", "traces", "serial", "inputs"}


def test_a_run_in_progress_can_be_looked_at(tmp_path: Path, full_run: Path) -> None:
    entries = read(full_run).entries
    with RunFolder.create(tmp_path, "going-on") as run:
        for entry in entries[:4]:
            run.append(entry)
            rebuild(run.path)
        assert (run.path / "report.html").stat().st_size > 10_000


def test_an_unreadable_record_leaves_the_old_files(full_run: Path) -> None:
    rebuild(full_run)
    before = (full_run / "junit.xml").read_bytes()
    content = (full_run / "record.jsonl").read_text().replace('"verdict":"fail"', '"verdict":"?"')
    (full_run / "record.jsonl").write_text(content)
    with pytest.raises(StoreError, match=r"record\.jsonl:3: item entry: "):
        rebuild(full_run)
    assert (full_run / "junit.xml").read_bytes() == before


def test_the_facts_are_plain_json(full_run: Path) -> None:
    found = facts(rebuild(full_run))
    assert json.loads(json.dumps(found)) == found
    assert found["standing"] == "fail"
    assert found["counts"] == {
        "fail": 3,
        "bench-fault": 1,
        "interrupted": 1,
        "undecided": 1,
        "not-run": 1,
        "pass": 1,
    }
    assert found["items"][0]["name"] == "start-cw-hall"
    assert found["complete"] is True
    assert all(Path(path).is_file() for path in found["files"].values())
