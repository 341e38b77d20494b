"""What a rebuild finds out about folders: each is in exactly one list, nothing is left out."""

from __future__ import annotations

import os
import shutil
from dataclasses import fields, replace
from pathlib import Path

import pytest

from hil.core.errors import StoreError
from hil.core.record import ItemStart, Note, Resumed, RunEnd
from hil.core.verdict import Verdict
from hil.store.folder import RunFolder
from hil.store.index import Index, Rebuilt, open_index
from hil.store.index.scan import folders_below

UTC = "2026-03-01T22:15:09.123Z"


@pytest.fixture
def index(place: str):
    with open_index(place, machine="here") as opened:
        yield opened


def lists(report: Rebuilt) -> dict[str, list[str]]:
    """Names in each list that is not empty."""
    found = {field.name: getattr(report, field.name) for field in fields(report)}
    return {
        name: sorted(one.run for one in rows)
        for name, rows in found.items()
        if name != "measures" and rows
    }


def test_the_first_time_a_folder_is_added_and_then_unchanged(night, index: Index, tmp_path) -> None:
    night("n1"), night("n2", out=tmp_path / "runs" / "deeper" / "still")
    assert lists(index.rebuild([tmp_path])) == {"added": ["n1", "n2"]}
    again = index.rebuild([tmp_path, tmp_path / "runs", tmp_path / "runs" / "n1"])
    assert lists(again) == {"unchanged": ["n1", "n2"]}
    assert again.measures == 0
    assert again.clean


@pytest.mark.parametrize("fresh", [False, True])
def test_runs_of_a_search_are_no_nights_wherever_their_folders_lie(
    night, index: Index, tmp_path, fresh: bool
) -> None:
    night("n1")
    night("n2", search="bisect-0a", build="old")
    night("n3", search="bisect-0a", out=tmp_path / "runs" / "bisect-0a" / "builds", ended=False)
    for case in ("added", "unchanged"):
        report = index.rebuild([tmp_path], fresh=fresh)
        assert lists(report) == {case: ["n1"], "searching": ["n2", "n3"]}
        assert report.clean
    assert {found.reason for found in report.searching} == {"of bisect-0a"}
    assert [run.run for run in index.runs()] == ["n1"]
    assert [build.build for build in index.overview()] == ["A"]
    assert {run for one in index.all_series().values() for run in one.run} == {"n1"}


def test_a_record_that_grew_is_updated(night, index: Index, tmp_path, make_result) -> None:
    path = night("n1", ended=False)
    index.rebuild([tmp_path])
    assert index.runs()[0].end == ""
    with RunFolder.reopen(path) as folder:
        folder.append(ItemStart(item="stall", utc=UTC, position=2, of=2))
        folder.append(make_result("stall", (1.0, 9.0), UTC))
        folder.append(RunEnd(utc=UTC, reason="completed", counts={}))
    report = index.rebuild([tmp_path])
    assert lists(report) == {"updated": ["n1"]}
    (run,) = index.runs()
    assert (run.end, run.counts["pass"], run.counts["fail"], run.measures) == ("completed", 1, 1, 3)
    assert [key.item for key in index.keys()] == ["stall", "start"]  # noqa: SIM118
    assert sum(map(len, index.all_series().values())) == 3


@pytest.mark.parametrize("rest", [b'{"kind":"note","ut', b'{"kind":"note","\0\0\0\0c":1}\n'])
def test_a_line_cut_short_or_torn_is_no_alteration_when_it_is_cut_off_later(
    night, index: Index, tmp_path, rest: bytes
) -> None:
    path = night("n1", ended=False)
    with (path / "record.jsonl").open("ab") as file:
        file.write(rest)
    assert lists(index.rebuild([tmp_path])) == {"added": ["n1"]}
    with RunFolder.reopen(path) as folder:
        folder.append(Note(utc=UTC, text="went on"))
    assert lists(index.rebuild([tmp_path])) == {"updated": ["n1"]}


@pytest.mark.parametrize("at", [5, 100, -30])
def test_an_altered_record_is_told_and_its_figures_leave_the_series(
    night, index: Index, tmp_path, at: int
) -> None:
    path = night("n1")
    night("n2")
    index.rebuild([tmp_path])
    record = path / "record.jsonl"
    content = bytearray(record.read_bytes())
    former = content[at]
    content[at] ^= 1
    record.write_bytes(content)
    for _ in range(2):
        report = index.rebuild([tmp_path])
        named = "unreadable" if "unreadable" in lists(report) else "altered"
        assert lists(report) == {"unchanged": ["n2"], named: ["n1"]}
        assert not report.clean
        assert [(r.run, r.state) for r in index.runs()] == [("n1", "altered"), ("n2", "present")]
        assert index.runs()[0].state_reason
        assert [set(s.run) for s in index.all_series().values()] == [{"n2"}]
        assert [build.runs for build in index.overview()] == [1]
    content[at] = former
    record.write_bytes(content)
    assert lists(index.rebuild([tmp_path])) == {"unchanged": ["n1", "n2"]}
    assert [run.state for run in index.runs()] == ["present", "present"]


def test_a_record_that_lost_lines_is_altered(night, index: Index, tmp_path) -> None:
    path = night("n1")
    index.rebuild([tmp_path])
    record = path / "record.jsonl"
    record.write_bytes(b"".join(record.read_bytes().splitlines(keepends=True)[:-1]))
    report = index.rebuild([tmp_path])
    assert lists(report) == {"altered": ["n1"]}
    assert "were indexed" in report.altered[0].reason


def test_a_fresh_rebuild_does_not_forgive_an_alteration(night, index: Index, tmp_path) -> None:
    path = night("n1")
    night("n2")
    first = index.rebuild([tmp_path])
    record = path / "record.jsonl"
    record.write_bytes(record.read_bytes().replace(b'"value":1.0', b'"value":1.5'))
    fresh = index.rebuild([tmp_path], fresh=True)
    assert lists(fresh) == {"altered": ["n1"], "unchanged": ["n2"]}
    assert fresh.measures == first.measures - 1
    index.forget("n1")
    assert lists(index.rebuild([tmp_path])) == {"added": ["n1"], "unchanged": ["n2"]}


def test_an_input_that_is_not_what_the_record_says_is_altered(
    night, index: Index, tmp_path
) -> None:
    plan = tmp_path / "nightly.plan.yaml"
    plan.write_text("plan: nightly\n")
    first, second = night("n1", inputs=[plan]), night("n2", inputs=[plan])
    (first / "inputs" / plan.name).write_text("plan: easier\n")
    report = index.rebuild([tmp_path])
    assert lists(report) == {"added": ["n2"], "altered": ["n1"]}
    assert "inputs/nightly.plan.yaml: SHA-256" in report.altered[0].reason
    (second / "inputs" / plan.name).unlink()
    report = index.rebuild([tmp_path])
    assert lists(report) == {"altered": ["n1", "n2"]}
    (second / "inputs" / plan.name).write_text("plan: nightly\n")
    assert lists(index.rebuild([tmp_path])) == {"unchanged": ["n2"], "altered": ["n1"]}


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "empty"),
        (b"no record\n", "not a record entry"),
        (b'{"kind":"note","utc":"u","text":"t"}\n', "expected a run-start"),
        (b"\xff\xfe\n", "not text"),
    ],
)
def test_an_unreadable_record_is_told_with_its_reason(
    night, index: Index, tmp_path, content: bytes, reason: str
) -> None:
    night("n1")
    (tmp_path / "bad").mkdir()
    (tmp_path / "bad" / "record.jsonl").write_bytes(content)
    report = index.rebuild([tmp_path])
    assert lists(report) == {"added": ["n1"], "unreadable": ["bad"]}
    assert reason in report.unreadable[0].reason
    assert report.unreadable[0].path == str(tmp_path / "bad")


def test_a_record_with_a_time_that_is_none_is_unreadable(night, index: Index, tmp_path) -> None:
    night("n1", utc="yesterday")
    report = index.rebuild([tmp_path])
    assert lists(report) == {"unreadable": ["n1"]}
    assert "'yesterday'" in report.unreadable[0].reason


def test_a_record_that_is_a_folder_is_unreadable(index: Index, tmp_path) -> None:
    (tmp_path / "odd" / "record.jsonl").mkdir(parents=True)
    report = index.rebuild([tmp_path])
    assert lists(report) == {"unreadable": ["odd"]}


def test_a_folder_that_may_not_be_looked_into_is_told(night, tmp_path) -> None:
    night("n1")
    closed = tmp_path / "closed"
    closed.mkdir()

    def refuse(path: str | Path, *rest: object):
        if Path(path) == closed:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path, *rest)

    real = os.scandir
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "scandir", refuse)
        found = list(folders_below([tmp_path]))
    assert [str(one) for one in found if isinstance(one, StoreError)] == [
        f"{closed}: cannot be looked into: Permission denied"
    ]
    assert len(found) == 2


def test_a_folder_that_is_gone_is_told_until_it_is_forgotten(night, index: Index, tmp_path) -> None:
    path = night("n1")
    night("n2")
    index.rebuild([tmp_path])
    shutil.rmtree(path)
    for _ in range(2):
        assert lists(index.rebuild([tmp_path])) == {"unchanged": ["n2"], "vanished": ["n1"]}
    assert [run.state for run in index.runs()] == ["vanished", "present"]
    assert [len(s) for s in index.all_series().values()] == [2], "its figures are still known"
    index.forget("n1")
    assert lists(index.rebuild([tmp_path])) == {"unchanged": ["n2"]}


def test_only_what_lay_below_the_roots_can_vanish(night, index: Index, tmp_path) -> None:
    shutil.rmtree(night("n1", out=tmp_path / "a"), index.rebuild([tmp_path]).clean)
    night("n2", out=tmp_path / "b")
    assert lists(index.rebuild([tmp_path / "b"])) == {"added": ["n2"]}
    with pytest.raises(StoreError, match="no such folder"):
        index.rebuild([tmp_path / "not-mounted"])


def test_a_moved_folder_keeps_its_place_in_the_series(night, index: Index, tmp_path) -> None:
    path = night("n1")
    index.rebuild([tmp_path])
    target = tmp_path / "archive" / "n1"
    target.parent.mkdir()
    path.rename(target)
    report = index.rebuild([tmp_path])
    assert lists(report) == {"moved": ["n1"]}
    assert str(path) in report.moved[0].reason
    assert index.runs()[0].path == str(target)
    assert lists(index.rebuild([tmp_path])) == {"unchanged": ["n1"]}


def test_a_folder_that_was_moved_and_altered_is_told_once(night, index: Index, tmp_path) -> None:
    path = night("n1")
    index.rebuild([tmp_path])
    path.rename(tmp_path / "n1")
    record = tmp_path / "n1" / "record.jsonl"
    content = record.read_bytes()
    record.write_bytes(content.replace(b'"value":1.0', b'"value":1.5'))
    assert lists(index.rebuild([tmp_path])) == {"altered": ["n1"]}
    record.write_bytes(content)
    assert lists(index.rebuild([tmp_path])) == {"unchanged": ["n1"]}


def test_a_copy_is_told_and_counted_once(night, index: Index, tmp_path) -> None:
    path = night("n1")
    index.rebuild([tmp_path])
    shutil.copytree(path, tmp_path / "dossier" / "n1")
    assert lists(index.rebuild([tmp_path])) == {"unchanged": ["n1"], "copies": ["n1"]}
    record = tmp_path / "dossier" / "n1" / "record.jsonl"
    record.write_bytes(record.read_bytes().replace(b'"value":1.0', b'"value":1.5'))
    report = index.rebuild([tmp_path])
    assert lists(report) == {"unchanged": ["n1"], "altered": ["n1"]}
    assert report.altered[0].path == str(record.parent)
    assert [run.state for run in index.runs()] == ["present"], "the first one is as it was"


def test_a_folder_by_another_name_is_the_run_its_record_names(
    night, index: Index, tmp_path
) -> None:
    night("n1").rename(tmp_path / "runs" / "renamed")
    assert lists(index.rebuild([tmp_path])) == {"added": ["n1"]}


def test_folders_of_another_machine_neither_vanish_nor_move(night, place: str, tmp_path) -> None:
    path = night("n1")
    with open_index(place, machine="bench-a") as one, open_index(place, machine="bench-b") as two:
        one.rebuild([tmp_path])
        shutil.move(path, tmp_path / "n1-there")
        night("n2")
        assert lists(two.rebuild([tmp_path / "runs"])) == {"added": ["n2"]}
        assert lists(two.rebuild([tmp_path])) == {"unchanged": ["n2"], "copies": ["n1"]}
        assert lists(one.rebuild([tmp_path])) == {"unchanged": ["n2"], "moved": ["n1"]}


def test_one_folder_is_added_by_itself(night, index: Index) -> None:
    path = night("n1")
    assert lists(index.add(path)) == {"added": ["n1"]}
    assert lists(index.add(path / "record.jsonl")) == {"unchanged": ["n1"]}
    assert lists(index.add(path.parent / "none")) == {"unreadable": ["none"]}


def test_names_are_told_while_folders_are_read(night, index: Index, tmp_path) -> None:
    night("n2"), night("n1")
    told: list[str] = []
    index.rebuild([tmp_path], told=told.append)
    assert told == ["n1", "n2"]


def test_a_resumed_run_is_updated_and_counts_each_item_once(
    night, index: Index, tmp_path, make_result
) -> None:
    """What an item came to because the run was interrupted is not counted beside what it became."""
    path = night("n1", items=("start", "stall"), ended=False)
    with RunFolder.reopen(path) as folder:
        folder.append(ItemStart(item="jam", utc=UTC, position=3, of=3))
        folder.append(replace(make_result("jam", (), UTC), verdict=Verdict.BENCH_FAULT))
        folder.append(RunEnd(utc=UTC, reason="interrupted: Ctrl-C", counts={}))
    index.rebuild([tmp_path])
    assert index.runs()[0].counts["bench-fault"] == 1
    with RunFolder.reopen(path) as folder:
        folder.append(Resumed(utc=UTC, number=1, bench="twin", kept=2, again=("jam",)))
        folder.append(ItemStart(item="jam", utc=UTC, position=3, of=3))
        folder.append(make_result("jam", (1.0,), UTC))
    assert lists(index.rebuild([tmp_path])) == {"updated": ["n1"]}
    (run,) = index.runs()
    assert run.end == "", "its last part has not come to its end"
    assert (run.counts["bench-fault"], run.counts["pass"], run.interrupted) == (0, 3, 0)
    with RunFolder.reopen(path) as folder:
        folder.append(RunEnd(utc=UTC, reason="completed", counts={}))
    assert lists(index.rebuild([tmp_path])) == {"updated": ["n1"]}
    assert index.runs()[0].end == "completed"
    assert {key.item: len(s) for key, s in index.all_series().items()} == {
        "start": 1, "stall": 1, "jam": 1,
    }  # fmt: skip
