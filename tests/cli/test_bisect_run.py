"""One build of a search: made, loaded, run through pytest, and read back from its record."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from hil.cli.bisect_run import BuiltBench, Question, event_of, values_of
from hil.core.errors import BenchError, PlanError
from hil.core.measure import Measure, Outcome
from hil.core.record import ItemResult, RunStart
from hil.core.verdict import Verdict
from hil.scenarios.bisect_builds import Build
from hil.store.reading import RunRecord

TESTPLANS = Path(__file__).parents[2] / "testplans"


def result(verdict: Verdict, *measures: Measure, item: str = "start.hall") -> ItemResult:
    return ItemResult(
        item=item, scenario="start", plan="p", title="", conditions={}, verdict=verdict,
        reason="said so", utc="2027-01-01T00:00:00Z", duration=1.0, measures=measures,
        repeats=tuple(range(1, len(measures) + 1)),
    )  # fmt: skip


def record(*results: ItemResult) -> RunRecord:
    start = RunStart(run="r", utc="2027-01-01T00:00:00Z", simulated=True, bench="", rig="x")
    return RunRecord(Path("runs/r"), start, (start, *results))


def ripple(value: float | None, outcome: Outcome = Outcome.VALUE) -> Measure:
    return Measure("ripple", "%", value, outcome=outcome, detail="said so")


@pytest.mark.parametrize(
    ("found", "measure", "values"),
    [
        (result(Verdict.PASS, ripple(2.0)), "ripple", (2.0,)),
        (result(Verdict.FAIL, ripple(2.0), ripple(3.0)), "ripple", (2.0, 3.0)),
        (result(Verdict.UNDECIDED, ripple(2.0)), "ripple", (2.0,)),
        (result(Verdict.FAIL, ripple(None, Outcome.NEVER_REACHED)), "ripple", (None,)),
        (result(Verdict.FAIL), "ripple", (None,)),
        (result(Verdict.PASS, ripple(2.0)), "", (1.0,)),
        (result(Verdict.FAIL, ripple(2.0)), "", (0.0,)),
    ],
)
def test_what_a_run_says(found, measure, values) -> None:
    event = event_of(record(found), 7, "start.hall", measure)
    assert (event.build, event.values, event.folder) == (7, values, "runs/r")
    assert event.detail == "said so"


@pytest.mark.parametrize(
    ("found", "measure", "message"),
    [
        (result(Verdict.BENCH_FAULT), "ripple", "runs/r: bench-fault: said so"),
        (result(Verdict.NOT_RUN), "", "runs/r: not-run"),
        (result(Verdict.UNDECIDED), "", "start.hall is undecided"),
        (result(Verdict.PASS), "ripple", "start.hall has no ripple"),
        (result(Verdict.PASS, item="other"), "ripple", "start.hall has no result"),
    ],
)
def test_a_run_that_says_nothing_about_the_firmware(found, measure, message) -> None:
    with pytest.raises(BenchError, match=message):
        event_of(record(found), 7, "start.hall", measure)


def test_a_measure_without_meaning_is_the_question_s_fault() -> None:
    with pytest.raises(PlanError, match=r"ripple does not apply to start\.hall: said so"):
        values_of(result(Verdict.PASS, ripple(None, Outcome.NOT_APPLICABLE)), "ripple")


def test_the_last_result_of_an_item_counts() -> None:
    first, last = result(Verdict.FAIL, ripple(9.0)), result(Verdict.PASS, ripple(1.0))
    assert event_of(record(first, last), 0, "start.hall", "ripple").values == (1.0,)


def bench_for(tmp_path: Path, **changes: object) -> BuiltBench:
    values = {
        "plan": TESTPLANS / "smoke.plan.yaml",
        "rig": TESTPLANS / "rigs" / "dosing-pump.yaml",
        "item": "start", "measure": "", "bench": "hardware", "seed": 1, "repository": None,
        "folder": tmp_path, "build_command": (), "flash_command": (), "expect_build": "",
        "build_limit": 30.0, "run_limit": 60.0, **changes,
    }  # fmt: skip
    (tmp_path / "image.bin").write_bytes(b"image")
    builds = (Build("image.bin"), Build("lost.bin"))
    return BuiltBench(Question(**values), builds, tmp_path / "work")


def test_an_image_that_exists_needs_no_command(tmp_path: Path) -> None:
    bench = bench_for(tmp_path)
    assert bench.prepare(0) == ""
    assert "there is no file" in bench.prepare(1)


def test_build_and_flash_commands_get_their_places(tmp_path: Path) -> None:
    build = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.argv[2])"
    flash = "import sys, pathlib; pathlib.Path('flashed').write_text(sys.argv[1])"
    bench = bench_for(
        tmp_path,
        build_command=(sys.executable, "-c", build, "{out}", "{build} {short}"),
        flash_command=(sys.executable, "-c", flash, "{out}"),
    )
    assert bench.prepare(1) == ""
    image = Path((tmp_path / "flashed").read_text())
    assert image.read_text() == "lost.bin lost.bin"
    assert image == (tmp_path / "work" / "builds" / "00001" / "firmware.image").resolve()


@pytest.mark.parametrize(
    ("changes", "said", "log"),
    [
        ({"build_command": ("false",)}, "build false: exit code 1", "build.log"),
        ({"build_command": ("true",)}, "build command left no file", "build.log"),
        ({"flash_command": ("false",)}, "flash false: exit code 1", "flash.log"),
    ],
)
def test_a_build_that_cannot_be_made_says_why(tmp_path, changes, said, log) -> None:
    assert said in bench_for(tmp_path, **changes).prepare(0)
    assert (tmp_path / "work" / "builds" / "00000" / log).is_file()


def test_an_old_image_is_not_taken_for_a_new_one(tmp_path: Path) -> None:
    old = tmp_path / "work" / "builds" / "00000" / "firmware.image"
    old.parent.mkdir(parents=True)
    old.write_text("of an earlier attempt")
    assert "left no file" in bench_for(tmp_path, build_command=("true",)).prepare(0)


def test_a_file_that_is_no_library_is_skipped_on_the_simulated_bench(tmp_path: Path) -> None:
    bench = bench_for(tmp_path, bench="twin")
    assert "cannot be loaded as a library" in bench.prepare(0)


def test_a_run_without_a_record_is_told_with_what_pytest_said(tmp_path: Path) -> None:
    bench = bench_for(tmp_path, plan=tmp_path / "none.plan.yaml")
    assert bench.prepare(0) == ""
    with pytest.raises(BenchError, match=r"nothing was recorded; .*exit code 4"):
        bench.run(0, 0)
    assert "not found" in (tmp_path / "work" / "builds" / "00000" / "pytest.log").read_text()
