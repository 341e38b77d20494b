"""Which runs the rules of retention reach."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import hil.store.index.retention
from ci.history import make_history
from hil.core.errors import StoreError
from hil.store.index import open_index
from hil.store.index.retention import retain
from hil.store.thinning import Rule

NOW = "2026-03-01T00:00:00Z"  # a year after the first night


def traces(root: Path) -> set[Path]:
    return set(root.rglob("*.parquet"))


@pytest.fixture
def runs(tmp_path: Path) -> list[Path]:
    made = make_history(tmp_path / "runs", 4, 2, gap=0.0, cut=0.0, trouble=0.0, changes=0, traces=4)
    return list(made.folders)


def test_old_runs_below_the_roots_are_thinned_and_stay_unchanged_runs(
    runs: list[Path], tmp_path: Path
) -> None:
    with open_index(tmp_path / "i.db") as index:
        index.rebuild([tmp_path])
        done = retain(index, [runs[0], runs[2]], [Rule(30.0)], NOW)
        assert [(Path(one.path), one.files) for one in done] == [(runs[0], 2), (runs[2], 2)]
        assert len(index.rebuild([tmp_path]).unchanged) == 4
        assert retain(index, [runs[0], runs[2]], [Rule(30.0)], NOW) == []
        series = index.all_series()
    assert all(len(one) == 4 for one in series.values()), "measures never"


def test_days_decide(runs: list[Path], tmp_path: Path) -> None:
    with open_index(tmp_path / "i.db") as index:
        index.rebuild([tmp_path])
        done = retain(index, [tmp_path], [Rule(363.0, remove=True)], NOW)
        assert {Path(one.path) for one in done} == set(runs[:2])
    assert {path.parents[1] for path in traces(tmp_path)} == set(runs[2:])


def test_altered_and_vanished_runs_are_left_alone(runs: list[Path], tmp_path: Path) -> None:
    with open_index(tmp_path / "i.db") as index:
        index.rebuild([tmp_path])
        record = runs[0] / "record.jsonl"
        record.write_bytes(record.read_bytes().replace(b'"pass"', b'"fail"', 1))
        shutil.rmtree(runs[1])
        index.rebuild([tmp_path])
        before = traces(runs[0])
        done = retain(index, [tmp_path], [Rule(30.0, remove=True)], NOW)
        assert {Path(one.path) for one in done} == set(runs[2:])
    assert traces(runs[0]) == before


def test_a_folder_that_cannot_be_written_is_told_and_the_others_go_on(
    runs: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = hil.store.index.retention.thin_run

    def refuse(path: Path, rule: Rule, now: str | None):
        if path == runs[1]:
            raise StoreError("read-only share")
        return real(path, rule, now)

    monkeypatch.setattr(hil.store.index.retention, "thin_run", refuse)
    with open_index(tmp_path / "i.db") as index:
        index.rebuild([tmp_path])
        done = retain(index, [tmp_path], [Rule(30.0)], NOW)
    assert [one.troubles for one in done] == [(), ("read-only share",), (), ()]
    assert [one.files for one in done] == [2, 0, 2, 2]
