"""Made histories read as real ones, are the same again, and hold what they say."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from ci.history import Change, History, make_history
from hil.core.verdict import Verdict
from hil.report.rebuild import rebuild
from hil.store.codec import decode, encode
from hil.store.reading import RunRecord, read
from hil.store.traces import read_trace


def contents(made: History) -> str:
    digest = hashlib.sha256()
    for folder in made.folders:
        for file in sorted(folder.rglob("*")):
            digest.update(str(file.relative_to(folder.parent)).encode())
            if file.is_file():
                digest.update(file.read_bytes())
    return digest.hexdigest()


def values(made: History, item: str, measure: str) -> np.ndarray:
    """Mean of each night, NaN where there is none."""
    nights = np.full(max(made.nights) + 1, np.nan)
    for night, folder in zip(made.nights, made.folders, strict=True):
        for result in read(folder).results:
            if result.item == item and result.measures:
                found = [m.value for m in result.measures if m.name == measure]
                nights[night] = np.mean([v for v in found if v is not None])
    return nights


def test_every_record_is_read_strictly_and_whole(tmp_path: Path) -> None:
    made = make_history(tmp_path, 12, 9, seed=3, cut=0.2)
    assert 8 <= len(made.folders) <= 12
    records = [read(folder) for folder in made.folders]
    for record in records:
        for line in (record.path / "record.jsonl").read_text().splitlines():
            assert decode(encode(decode(line))) == decode(line)
        for name, expected in record.start.hashes.items():
            found = hashlib.sha256((record.path / "inputs" / name).read_bytes()).hexdigest()
            assert found == expected
    whole = [record for record in records if record.end is not None]
    assert whole
    assert len(whole) < len(records)
    assert all(len(record.results) == 9 for record in whole)
    assert all(record.interrupted for record in records if record.end is None)


def test_a_report_can_be_made_of_a_made_run(tmp_path: Path) -> None:
    made = make_history(tmp_path, 2, 4, seed=1, gap=0.0, cut=0.0, traces=1)
    assert isinstance(rebuild(made.folders[-1]), RunRecord)
    assert "SIMULATED" in (made.folders[-1] / "report.html").read_text(encoding="utf-8")
    trace = read_trace(next((made.folders[-1] / "traces").iterdir()))
    assert [mark.name for mark in trace.marks] == ["command", "stop"]
    assert not list((made.folders[0] / "traces").iterdir())


def test_equal_arguments_give_equal_bytes_and_another_seed_does_not(tmp_path: Path) -> None:
    first, second, other = (
        make_history(tmp_path / name, 5, 3, seed=seed, traces=2)
        for name, seed in (("a", 1), ("b", 1), ("c", 2))
    )
    assert contents(first) == contents(second)
    assert contents(first) != contents(other)


def test_a_history_is_continued_by_a_second_call(tmp_path: Path) -> None:
    whole = make_history(tmp_path / "whole", 8, 3, seed=4)
    first = make_history(tmp_path / "parts", 6, 3, seed=4, changes=whole.changes)
    rest = make_history(tmp_path / "parts", 8, 3, seed=4, changes=whole.changes, first_night=6)
    assert first.nights + rest.nights == whole.nights
    both = History(
        first.folders + rest.folders, whole.nights, whole.builds, whole.commits, (), whole.items
    )
    assert contents(both) == contents(whole)


def test_a_change_shows_from_its_night_on_and_nothing_else_changes(tmp_path: Path) -> None:
    change = Change("start.hall.cw.500rpm", "time-to-speed", 20, 6.0)
    with_it = make_history(tmp_path / "a", 40, 4, seed=5, changes=[change], trouble=0.0)
    without = make_history(tmp_path / "b", 40, 4, seed=5, changes=[], trouble=0.0)
    away = values(with_it, change.item, change.measure) - values(
        without, change.item, change.measure
    )
    assert np.nanmax(np.abs(away[:20])) == 0.0
    scatter = np.nanstd(values(without, change.item, change.measure))
    assert np.nanmean(away[20:]) == pytest.approx(6.0 * scatter, rel=0.4)
    same = values(with_it, change.item, "overshoot") - values(without, change.item, "overshoot")
    assert np.nanmax(np.abs(same)) == 0.0
    build = with_it.first_build(change)
    assert build not in [b for n, b in zip(with_it.nights, with_it.builds, strict=True) if n < 20]


def test_firmware_fails_and_benches_have_faults_as_often_as_asked(tmp_path: Path) -> None:
    made = make_history(tmp_path, 20, 40, seed=6, trouble=0.1, cut=0.0, changes=0)
    found = [result for folder in made.folders for result in read(folder).results]
    fails = [result for result in found if result.verdict is Verdict.FAIL]
    faults = [result for result in found if result.verdict is Verdict.BENCH_FAULT]
    assert 0.05 < len(fails) / len(found) < 0.12
    assert 0.02 < len(faults) / len(found) < 0.08
    for result in fails:
        assert Verdict.FAIL in {judgement.verdict for judgement in result.judgements}
    assert not any(result.measures for result in faults)


def test_builds_and_commits_change_together(tmp_path: Path) -> None:
    made = make_history(tmp_path, 30, 1, seed=7)
    pairs = set(zip(made.builds, made.commits, strict=True))
    assert 4 < len(pairs) == len(set(made.builds)) < len(made.folders)
    record = read(made.folders[-1])
    assert record.start.commit == made.commits[-1]
    assert record.start.identities[0].revision == made.builds[-1]


def test_a_change_of_what_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no such item"):
        make_history(tmp_path, 2, 1, changes=[Change("none", "ripple", 1, 3.0)])
