"""Runs entered, and asked for; on both kinds of database."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from ci.history import make_history
from hil.core.errors import StoreError
from hil.core.verdict import Verdict
from hil.store.index import SeriesKey, open_index
from hil.store.reading import read
from hil.store.table import judged


def key_of(**facts: str) -> SeriesKey:
    usual = {"rig": "pump", "evidence": "simulated", "plan": "nightly", "item": "start",
             "measure": "peak-current", "unit": "A"}  # fmt: skip
    return SeriesKey(**{**usual, **facts})


def test_a_run_is_entered_and_read_back(night, tmp_path: Path, place: str) -> None:
    folder = night("n1", build="A", commit="c1", values=(1.0, 2.0))
    with open_index(place) as index:
        report = index.rebuild([tmp_path])
        assert [found.run for found in report.added] == ["n1"]
        assert report.measures == 2
        assert report.clean
        (run,) = index.runs()
        assert (run.path, run.build, run.commit, run.evidence, run.rig, run.plan) == (
            str(folder), "A", "c1", "simulated", "pump", "nightly.plan.yaml",
        )  # fmt: skip
        assert run.counts == {
            "pass": 1, "fail": 0, "undecided": 0, "bench-fault": 0, "not-run": 0,
        }  # fmt: skip
        assert (run.end, run.interrupted, run.never_begun, run.state) == (
            "completed", 0, 0, "present",
        )  # fmt: skip
        (key,) = index.keys()
        assert key == key_of()
        series = index.series(key)
        assert list(series.value) == [1.0, 2.0]
        assert list(series.uncertainty) == [0.05, 0.05]
        assert list(series.repeat) == [1, 2]
        assert list(series.verdict) == ["pass", "pass"]
        assert list(series.outcome) == ["value", "value"]
        assert list(series.high) == [3.5, 3.5]
        assert np.isnan(series.low).all()
        assert list(series.utc.astype(str)) == ["2026-03-01T22:15:09.123"] * 2
        assert list(series.run) == ["n1", "n1"]
        assert list(series.commit) == ["c1", "c1"]
        (build,) = index.overview()
        assert (build.runs, build.items, build.measures, build.commits) == (1, 1, 2, ("c1",))


def test_every_figure_of_a_history_is_there_once_and_as_its_record_has_it(
    tmp_path: Path, place: str
) -> None:
    made = make_history(tmp_path / "h", 8, 5, seed=2, repeats=2, trouble=0.1, cut=0.3)
    with open_index(place) as index:
        report = index.rebuild([tmp_path / "h"])
        every = index.all_series()
    found = {
        (key.item, key.measure, run, int(repeat)): (value, verdict, high)
        for key, s in every.items()
        for run, repeat, value, verdict, high in zip(
            s.run, s.repeat, s.value, s.verdict, s.high, strict=True
        )
    }
    expected = {}
    for folder in made.folders:
        for result in read(folder).results:
            for measure, repeat, judgement in judged(result):
                expected[result.item, measure.name, folder.name, repeat] = (
                    measure.value,
                    judgement.verdict.value if judgement else "",
                    judgement.band.high if judgement else None,
                )
    assert len(expected) == report.measures == sum(map(len, every.values())) > 700
    assert found.keys() == expected.keys()
    for key, (value, verdict, high) in expected.items():
        assert found[key][:2] == (value, verdict)
        assert found[key][2] == high or (high is None and math.isnan(found[key][2]))
    assert {"fail", "pass", ""} == {verdict for _, verdict, _ in expected.values()}


def test_one_series_is_the_same_as_among_all(tmp_path: Path, place: str) -> None:
    make_history(tmp_path / "h", 5, 4, seed=2)
    with open_index(place) as index:
        index.rebuild([tmp_path / "h"])
        every = index.all_series()
        assert list(every) == index.keys() == sorted(every)
        for key in list(every)[::7]:
            one = index.series(key)
            for name in one.__dataclass_fields__:
                if name != "key":
                    np.testing.assert_array_equal(getattr(one, name), getattr(every[key], name))
        measure = index.all_series(measure="overshoot")
        assert {key.measure for key in measure} == {"overshoot"}
        assert list(measure) == [key for key in every if key.measure == "overshoot"]


def test_a_series_is_in_order_of_time_whatever_the_order_of_entering(night, place: str) -> None:
    times = {"c": "2026-03-03T22:00:00.000Z", "a": "2026-03-01T22:00:00.000Z",
             "b": "2026-03-02T23:00:00.000+01:00", "d": "2026-03-04T00:00:00Z"}  # fmt: skip
    with open_index(place) as index:
        for n, (name, utc) in enumerate(times.items()):
            index.add(night(name, utc=utc, values=(float(n), float(n) + 0.5)))
        series = index.series(key_of())
        assert list(series.run) == list("aabbccdd")
        assert list(series.repeat) == [1, 2] * 4
        assert list(series.value) == [1.0, 1.5, 2.0, 2.5, 0.0, 0.5, 3.0, 3.5]
        assert [run.run for run in index.runs()] == list("abcd")
        assert [run.run for run in index.runs(since="2026-03-03")] == ["c", "d"]


def test_simulated_and_bench_evidence_are_never_one_series(night, place: str) -> None:
    with open_index(place) as index:
        for n, simulated in enumerate((True, False, True)):
            index.add(night(f"n{n}", simulated=simulated, values=(float(n),)))
        assert {key.evidence for key in index.keys()} == {"bench", "simulated"}  # noqa: SIM118
        assert list(index.series(key_of()).value) == [0.0, 2.0]
        assert list(index.series(key_of(evidence="bench")).value) == [1.0]
        assert [(b.evidence, b.runs) for b in index.overview()] == [("simulated", 2), ("bench", 1)]
        assert [b.runs for b in index.overview(evidence="bench")] == [1]
        assert [run.run for run in index.runs(evidence="bench")] == ["n1"]
        assert set(index.all_series(evidence="bench")) == {key_of(evidence="bench")}


def test_rigs_and_builds_are_told_apart(night, place: str) -> None:
    with open_index(place) as index:
        index.add(night("n1", rig="pump", build="A", utc="2026-03-01T00:00:00Z"))
        index.add(night("n2", rig="valve", build="A", utc="2026-03-02T00:00:00Z"))
        index.add(night("n3", rig="pump", build="B", utc="2026-03-03T00:00:00Z", commit="c3"))
        index.add(night("n4", rig="pump", build="B", utc="2026-03-04T00:00:00Z", commit="c4",
                        values=(9.0,), items=("start", "stall")))  # fmt: skip
        rows = index.overview()
        assert [(row.rig, row.build, row.runs) for row in rows] == [
            ("pump", "B", 2), ("valve", "A", 1), ("pump", "A", 1),
        ]  # fmt: skip
        assert rows[0].commits == ("c3", "c4")
        assert rows[0].items == 2
        assert (rows[0].counts["pass"], rows[0].counts["fail"]) == (1, 2)
        assert (rows[0].first, rows[0].last) == ("2026-03-03T00:00:00Z", "2026-03-04T00:00:00Z")
        assert [run.run for run in index.runs(rig="pump", build="B")] == ["n3", "n4"]
        assert [key.rig for key in index.keys(item="start")] == ["pump", "valve"]
        assert [item.verdict for item in index.items(item="start", rig="pump")] == [
            Verdict.PASS, Verdict.PASS, Verdict.FAIL,
        ]  # fmt: skip
        assert [item.item for item in index.items(run="n4")] == ["start", "stall"]


def test_a_series_that_is_not_there_is_an_error(night, place: str) -> None:
    with open_index(place) as index:
        assert index.keys() == index.runs() == index.overview() == index.items() == []
        assert index.all_series() == {}
        index.add(night("n1"))
        with pytest.raises(StoreError, match="no series"):
            index.series(key_of(measure="none"))


def test_a_forgotten_run_leaves_nothing_behind(night, place: str) -> None:
    with open_index(place) as index:
        index.add(night("n1"))
        index.forget("n1")
        assert index.runs() == index.keys() == index.overview() == index.items() == []
        with pytest.raises(StoreError, match="no run n1"):
            index.forget("n1")
        assert [found.run for found in index.rebuild([]).added] == []


def test_what_is_asked_within_a_snapshot_is_of_one_moment(night, place: str) -> None:
    with open_index(place) as reader, open_index(place) as writer:
        writer.add(night("n1"))
        with reader.snapshot() as seen:
            assert len(seen.runs()) == 1
            writer.add(night("n2"))
            assert len(seen.runs()) == 1
            assert len(seen.series(key_of())) == 1
        assert len(reader.runs()) == 2
        assert len(reader.series(key_of())) == 2


def test_a_missing_index_is_not_made_by_a_reader(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="hil index"):
        open_index(tmp_path / "none.db", create=False)
    assert not (tmp_path / "none.db").exists()


def test_text_that_a_database_cannot_hold_is_spelt_out(night, place: str) -> None:
    with open_index(place) as index:
        index.add(night("n1", items=("odd\0\ud800é",), build="B\0"))
        assert [key.item for key in index.keys()] == ["odd\\x00\\ud800é"]  # noqa: SIM118
        assert index.runs()[0].build == "B\\x00"
