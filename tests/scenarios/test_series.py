"""A sequential series on the simulated bench: it ends early, and says what it saved."""

from pathlib import Path

import pytest

from hil.bench.open import open_bench
from hil.core.measure import Measure, Outcome
from hil.core.verdict import Verdict
from hil.measures.catalogue import KINDS, definitions
from hil.plan.expand import expand
from hil.plan.load import load_plan, load_rig
from hil.scenarios.execute import execute

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = """format: 1
plan: p
scenarios:
  - id: starts
    scenario: start
    speed: {speed}
    hold: 0.1 s
    within: {within}
    success: {{sequential: {{good: 5 %, bad: 60 %}}}}
"""


def run(tmp_path: Path, **values: str):
    path = tmp_path / "p.plan.yaml"
    path.write_text(PLAN.format(**values), encoding="utf-8")
    rig = load_rig(RIG)
    units = {kind: {n: d.unit for n, d in definitions(kind).items()} for kind in KINDS}
    (item,) = expand(load_plan(path), rig, units)
    bench = open_bench(rig, True, {}, seed="series")
    try:
        return item, execute(item, rig, bench)
    finally:
        bench.close()


def test_good_starts_end_the_series_early(tmp_path: Path) -> None:
    item, done = run(tmp_path, speed="800 rpm", within="2 s")
    assert done.verdict is Verdict.PASS
    assert len(done.traces) < item.series.fixed.trials
    told = [step for step in done.steps if "a fixed plan of the same risks" in step]
    assert [" s against " in step for step in told] == [False, True]  # its time, once one is over
    assert done.notes == []  # what is to be expected is no warning
    assert done.measures[-1].name == "failure-rate"
    assert done.repeats[-1] == 0


def test_starts_that_never_get_there_reject_after_a_few(tmp_path: Path) -> None:
    item, done = run(tmp_path, speed="4000 rpm", within="0.1 s")
    assert done.verdict is Verdict.FAIL
    assert len(done.traces) <= item.series.fixed.trials
    assert "failure rate is shown to be above 5 %" in done.reason


def test_starts_that_cannot_be_judged_neither_accept_nor_reject(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def blurred(*_: object) -> list[Measure]:
        return [Measure.absent("success", "1", Outcome.MISSING_DATA, "no samples")]

    monkeypatch.setattr("hil.scenarios.execute.measure", blurred)
    item, done = run(tmp_path, speed="800 rpm", within="2 s")
    assert done.verdict is Verdict.UNDECIDED
    assert "no trial was decided" in done.reason
    assert 1 < len(done.traces) < item.series.most  # as many as it takes to see that
