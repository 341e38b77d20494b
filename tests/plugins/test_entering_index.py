"""Runs that enter themselves into an index, and the commit that goes along."""

from __future__ import annotations

import sqlalchemy.dialects.postgresql  # noqa: F401 - cannot be imported twice, see conftest.py

import hil.store.index.run_end
from hil.store.index import open_index
from hil.store.intact import check_run


def test_a_run_enters_itself_at_its_end(lab) -> None:
    result = lab.run(lab.plan(), "--hil-index=lab/index.db", "--hil-commit=0f1e2d3c")
    assert result.ret == 0
    assert lab.record.start.commit == "0f1e2d3c"
    with open_index(lab.path / "lab" / "index.db", create=False) as index:
        (run,) = index.runs()
        assert run.run == lab.folders[-1].name
        assert run.end == "completed"
        assert run.commit == "0f1e2d3c"
        assert run.build
        assert run.evidence == "simulated"
        assert index.keys(measure="time-to-speed")
        assert index.rebuild([lab.path / "runs"]).clean
    assert "index" not in result.stdout.str().split("bench =")[-1]


def test_ini_twins(lab) -> None:
    lab.pytester.makeini("[pytest]\nhil_index = kept.db\nhil_commit = abc\n")
    assert lab.run(lab.plan()).ret == 0
    with open_index(lab.path / "kept.db", create=False) as index:
        assert [run.commit for run in index.runs()] == ["abc"]


def test_without_the_option_there_is_no_index(lab) -> None:
    assert lab.run(lab.plan()).ret == 0
    assert not list(lab.path.rglob("*.db"))
    assert lab.record.start.commit == ""


def test_an_index_that_fails_costs_the_run_nothing(lab) -> None:
    (lab.path / "index.db").write_text("no database at all " * 99)
    result = lab.run(lab.plan(), "--hil-index=index.db")
    assert result.ret == 0
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(["not entered into the index: *not a database*", "run folder:*"])
    record = lab.record
    assert record.end is not None
    assert record.end.reason == "completed"
    assert record.notes[-1].level == "warning"
    assert record.notes[-1].text.startswith("not entered into the index: ")
    assert "not entered into the index" in (record.path / "report.html").read_text("utf-8")
    assert check_run(record.path).intact


def test_a_defect_of_the_index_costs_the_run_nothing_either(lab, monkeypatch) -> None:
    def broken(*_: object) -> str:
        raise RuntimeError

    monkeypatch.setattr(hil.store.index.run_end, "_enter", broken)
    result = lab.run(lab.plan(), "--hil-index=index.db")
    assert result.ret == 0
    result.stdout.fnmatch_lines(["not entered into the index: RuntimeError"])
    assert lab.record.notes[-1].text == "not entered into the index: RuntimeError"


def test_a_failing_run_is_entered_as_it_was(lab) -> None:
    plan = lab.plan(
        """
  - id: s
    scenario: start
    speed: 1000 rpm
    hold: 0.4 s
    within: 2 s
    bands: {time-to-speed: {max: 1 ms}}
"""
    )
    assert lab.run(plan, "--hil-index=index.db").ret == 1
    with open_index(lab.path / "index.db", create=False) as index:
        (run,) = index.runs()
        assert run.counts["fail"] == 1
        (item,) = index.items()
        assert item.verdict == "fail"
        assert "time-to-speed" in item.reason
