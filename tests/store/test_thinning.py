"""Old traces made small: what stays, what is told, and what is never touched."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import hil.store.thinning
from hil.core.errors import StoreError
from hil.core.measure import Measure
from hil.core.record import ItemResult, ItemStart, RunEnd, RunStart
from hil.core.trace import Channel, Mark, Trace
from hil.core.verdict import Verdict
from hil.report.rebuild import rebuild
from hil.store.condition import problems
from hil.store.folder import RunFolder
from hil.store.intact import check_run
from hil.store.manifest import THINNED, write_manifest
from hil.store.reading import read
from hil.store.thinning import POINTS, Rule, thin_run
from hil.store.traces import read_trace

UTC, SOON, LATER = "2026-03-01T22:15:09.123Z", "2026-03-20T00:00:00Z", "2026-05-01T00:00:00Z"
THIN, REMOVE = Rule(30.0), Rule(30.0, remove=True)
RESULTS = {"good": ["pass"], "bad": ["fail"], "twice": ["fail", "pass"], "unsure": ["undecided"]}


def trace(n: int = 4000) -> Trace:
    t = np.arange(n) * 0.001
    y = np.random.default_rng(1).standard_normal(n)
    y[n // 3] = 99.0
    channel = Channel("reported.speed", "rpm", t, y, interval=0.001)
    return Trace({"reported.speed": channel}, (Mark("stop", 3.0),), end=4.0, frames=n)


@pytest.fixture
def run(tmp_path: Path) -> Path:
    """A complete and sealed run with a trace for each result."""
    with RunFolder.create(tmp_path, "night") as folder:
        folder.append(RunStart(run="night", utc=UTC, simulated=True, bench="twin", rig="pump"))
        for item, verdicts in RESULTS.items():
            for verdict in verdicts:
                folder.append(ItemStart(item=item, utc=UTC, position=1, of=4))
                name = folder.write_trace(item, 1, trace())
                folder.append(
                    ItemResult(
                        item=item, scenario="start", plan="p", title="", conditions={},
                        verdict=Verdict(verdict), reason="", utc=UTC, duration=1.0,
                        measures=(Measure("peak-current", "A", 1.5, 0.1),), traces=(name,),
                    )
                )  # fmt: skip
        folder.append(RunEnd(utc=UTC, reason="completed", counts={}))
    write_manifest(folder.path, UTC)
    return folder.path


def traces(run: Path) -> dict[str, int]:
    return {path.name: path.stat().st_size for path in sorted((run / "traces").iterdir())}


def test_only_traces_of_passing_items_are_thinned_and_nothing_looks_altered(run: Path) -> None:
    before, results = traces(run), read(run).results
    done = thin_run(run, THIN, LATER)
    after = traces(run)
    assert (done.files, done.troubles) == (1, ())
    assert (done.before, done.after) == (before["good.1.parquet"], after["good.1.parquet"])
    assert done.after < done.before / 5
    changed = [name for name in before if before[name] != after[name]]
    assert changed == ["good.1.parquet"]
    assert read(run).results == results, "measures never"
    checked = check_run(run)
    assert checked.intact
    assert checked.thinned == ("traces/good.1.parquet",)


def test_a_thinned_trace_keeps_marks_and_extremes(run: Path) -> None:
    thin_run(run, THIN, LATER)
    thinned, whole = read_trace(run / "traces" / "good.1.parquet"), trace()
    assert thinned.marks == whole.marks
    assert (thinned.end, thinned.frames) == (whole.end, whole.frames)
    y = thinned.channels["reported.speed"].y
    assert len(y) <= POINTS + 2
    assert (y.max(), y.min()) == (99.0, whole.channels["reported.speed"].y.min())


def test_the_list_and_the_record_say_what_was_done(run: Path) -> None:
    old = {e.path: e.sha256 for e in hil.store.thinning.read_manifest(run).files}
    thin_run(run, THIN, LATER)
    (entry,) = map(json.loads, (run / THINNED).read_text().splitlines())
    path = run / "traces" / "good.1.parquet"
    assert entry == {
        "file": "traces/good.1.parquet",
        "old": old["traces/good.1.parquet"],
        "new": hil.store.thinning.digest(path),
        "utc": LATER,
        "rule": f"traces of passing items thinned to {POINTS} samples a channel after 30 days",
    }
    note = read(run).notes[-1]
    assert note.text.startswith(f"retention: {THIN}: 1 files, ")


def test_traces_are_removed_where_that_is_asked_for(run: Path) -> None:
    before = traces(run)
    assert thin_run(run, REMOVE, LATER).files == 1
    assert before.keys() - traces(run).keys() == {"good.1.parquet"}
    assert json.loads((run / THINNED).read_text())["new"] is None
    assert check_run(run).intact
    again = thin_run(run, THIN, LATER)
    assert (again.files, again.troubles) == (0, ()), "what was removed is not missing"


def test_thinned_first_and_removed_later(run: Path) -> None:
    assert thin_run(run, THIN, LATER).files == 1
    assert thin_run(run, Rule(365.0, remove=True), "2028-01-01T00:00:00Z").files == 1
    assert len((run / THINNED).read_text().splitlines()) == 2
    assert check_run(run).intact


def test_again_nothing_is_done_and_nothing_written(run: Path) -> None:
    thin_run(run, THIN, LATER)
    before = {path: path.read_bytes() for path in run.rglob("*") if path.is_file()}
    for rule in (THIN, Rule(20.0)):
        done = thin_run(run, rule, "2026-06-01T00:00:00Z")
        assert (done.files, done.troubles) == (0, ())
    assert {path: path.read_bytes() for path in run.rglob("*") if path.is_file()} == before


def test_younger_runs_and_runs_without_an_end_are_left_alone(run: Path) -> None:
    before = traces(run)
    assert thin_run(run, THIN, SOON).files == 0
    record = run / "record.jsonl"
    record.write_bytes(b"".join(record.read_bytes().splitlines(keepends=True)[:-1]))
    assert thin_run(run, THIN, LATER).files == 0
    assert traces(run) == before
    assert not (run / THINNED).exists()


def test_an_item_that_was_interrupted_keeps_its_traces(run: Path) -> None:
    with RunFolder.reopen(run) as folder:
        folder.append(ItemStart(item="good", utc=UTC, position=1, of=4))
        folder.append(RunEnd(utc=UTC, reason="completed", counts={}))
    write_manifest(run, UTC)
    assert thin_run(run, THIN, LATER).files == 0


def test_an_altered_trace_is_told_and_not_laundered(run: Path) -> None:
    path = run / "traces" / "good.1.parquet"
    hil.store.thinning.replace_file(path, hil.store.thinning.trace_bytes(trace(3000)))
    before = path.read_bytes()
    for rule in (THIN, REMOVE):
        done = thin_run(run, rule, LATER)
        assert done.files == 0
        assert "altered" in done.troubles[0]
        assert path.read_bytes() == before
    assert [d.path for d in check_run(run).differences] == ["traces/good.1.parquet"]


def test_an_altered_record_or_manifest_is_told_and_nothing_done(run: Path) -> None:
    before = traces(run)
    record, manifest = run / "record.jsonl", run / "manifest.json"
    content = record.read_bytes()
    record.write_bytes(content.replace(b'"value":1.5', b'"value":1.4', 1))
    assert "not the record that the manifest" in thin_run(run, THIN, LATER).troubles[0]
    record.write_bytes(content)
    manifest.write_bytes(manifest.read_bytes().replace(b"a", b"b", 1))
    assert "manifest" in thin_run(run, THIN, LATER).troubles[0]
    assert traces(run) == before


def test_a_damaged_or_missing_trace_is_told(run: Path) -> None:
    (run / "manifest.json").unlink()
    path = run / "traces" / "good.1.parquet"
    path.write_bytes(b"PAR1 no more")
    assert "not a readable trace" in thin_run(run, THIN, LATER).troubles[0]
    path.unlink()
    assert "is missing" in thin_run(run, THIN, LATER).troubles[0]


def test_a_run_without_a_manifest_is_thinned_as_well(run: Path) -> None:
    (run / "manifest.json").unlink()
    assert thin_run(run, THIN, LATER).files == 1
    assert not (run / "manifest.json").exists()
    assert thin_run(run, THIN, LATER).files == 0


class Lost(Exception):
    """Power, at a chosen instant."""


@pytest.mark.parametrize("step", ["replace_file", "tell", "_renew", "after the note"])
def test_what_a_loss_of_power_left_is_completed_and_never_looks_altered(
    run: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def lost(*_: object) -> None:
        raise Lost

    with monkeypatch.context() as patch:
        if step == "replace_file":
            patch.setattr(hil.store.thinning, "replace_file", lost)
        elif step == "after the note":
            patch.setattr(hil.store.thinning, "renew", lost)
        else:
            patch.setattr(hil.store.thinning._Work, step, lost)
        with pytest.raises(Lost):
            thin_run(run, THIN, LATER)
    before = check_run(run)
    assert all("lines were added" in d.text for d in before.differences)
    done = thin_run(run, Rule(31.0), LATER)
    assert done.troubles == ()
    assert check_run(run).intact
    assert check_run(run).thinned == ("traces/good.1.parquet",)
    assert any(note.text.startswith("retention: ") for note in read(run).notes)


def test_a_line_of_the_list_that_was_cut_short_is_written_anew(run: Path) -> None:
    (run / THINNED).write_bytes(b'{"file": "traces/go')
    assert thin_run(run, THIN, LATER).files == 1
    assert check_run(run).intact


def test_a_list_that_cannot_be_read_is_told(run: Path) -> None:
    (run / THINNED).write_bytes(b"nothing\n")
    assert f"{THINNED}:1" in thin_run(run, THIN, LATER).troubles[0]


def test_what_is_no_run_folder_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no readable record"):
        thin_run(tmp_path, THIN, LATER)


def test_a_report_says_what_was_removed_and_finds_nothing_wrong(run: Path) -> None:
    thin_run(run, REMOVE, LATER)
    assert problems(read(run)) == ()
    rebuild(run)
    page = (run / "report.html").read_text(encoding="utf-8")
    assert f"removed by a rule of retention: {REMOVE}" in page
    with pytest.raises(StoreError, match="removed by a rule of retention"):
        read_trace(run / "traces" / "good.1.parquet")
    (run / "traces" / "bad.1.parquet").unlink()
    assert [text.partition(":")[0] for text in problems(read(run))] == ["traces/bad.1.parquet"]
