"""The run folder, repeatability, and that pytest's own ways keep working."""

import csv
import json
import re
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from hil.core.record import ItemStart, RunEnd
from hil.core.verdict import Verdict

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"

TWO = """
  - id: good
    scenario: start
    title: Starts
    requirements: [REQ-1]
    speed: 1000 rpm
    hold: 0.4 s
    bands: {success: {exactly: 1}, time-to-speed: {max: 2 s}}
  - id: slow
    scenario: start
    title: Starts too slowly
    speed: 1500 rpm
    hold: 0.4 s
    bands: {time-to-speed: {max: 20 ms}}
"""


def test_a_run_folder_is_complete(lab) -> None:
    result = lab.run(lab.plan(TWO))
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.assert_outcomes(passed=1, failed=1)
    (folder,) = lab.folders
    names = {path.name for path in folder.iterdir()}
    assert {"record.jsonl", "junit.xml", "report.html", "measures.csv", "traces", "serial",
            "inputs"} <= names  # fmt: skip
    record = lab.record
    assert [type(entry).kind for entry in record.entries] == [
        "run-start", "item-start", "item", "item-start", "item", "run-end",
    ]  # fmt: skip
    assert {p.name for p in (folder / "traces").iterdir()} == {
        "good.1.parquet", "slow.1.parquet",
    }  # fmt: skip
    for item in ("good", "slow"):
        assert (folder / "serial" / f"{item}.log").stat().st_size > 1000
    assert {p.name for p in (folder / "inputs").iterdir()} == {
        "t.plan.yaml", "dosing-pump.yaml", "dosing-lines.profile.yaml",
    }  # fmt: skip
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "SIMULATED" in page
    assert "Starts too slowly" in page
    suite = ET.parse(folder / "junit.xml").getroot()
    assert [case.get("name") for case in suite.iter("testcase")] == ["good", "slow"]
    assert len(list(suite.iter("failure"))) == 1
    with (folder / "measures.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {"good", "slow"} <= {value for row in rows for value in row.values()}


def test_the_record_says_where_with_what_and_how_it_ended(lab) -> None:
    lab.run(lab.plan(TWO), "--hil-seed=5")
    record = lab.record
    start, end = record.start, record.end
    assert (start.simulated, start.rig, start.plans, start.seed) == (
        True, "dosing-pump", ("t.plan.yaml",), 5,
    )  # fmt: skip
    assert start.items == ("good", "slow")
    assert [who.role for who in start.identities] == [
        "board", "supply", "tachometer", "brake", "switch",
    ]  # fmt: skip
    assert start.identities[0].revision
    assert set(start.hashes) == {"t.plan.yaml", "dosing-pump.yaml", "dosing-lines.profile.yaml"}
    assert isinstance(end, RunEnd)
    assert (end.reason, dict(end.counts)) == ("completed", {"pass": 1, "fail": 1})
    # read again at the end, from another simulated bench
    assert [(w.role, w.revision) for w in end.identities] == [
        (w.role, w.revision) for w in start.identities
    ]
    positions = [(e.position, e.of) for e in record.entries if isinstance(e, ItemStart)]
    assert positions == [(1, 2), (2, 2)]
    assert record.results[0].requirements == ("REQ-1",)
    assert (start.host["hil"], len(start.host["hil code"])) == ("0.1.0", 64)


def test_the_supply_is_off_when_the_bench_is_left(lab) -> None:
    lab.run(lab.plan(TWO))
    assert lab.left_on == [False, False]


def test_measures_are_the_same_byte_for_byte_with_the_same_seed(lab) -> None:
    name = lab.plan(TWO)
    tables = []
    for seed in ("5", "5", "6"):
        lab.run(name, f"--hil-seed={seed}")
        tables.append((lab.folders[-1] / "measures.csv").read_bytes())
    assert tables[0] == tables[1]
    assert tables[0] != tables[2]


def test_an_item_measures_the_same_alone_as_in_the_whole_plan(lab) -> None:
    name = lab.plan(TWO)
    lab.run(name)
    whole = lab.record.results[1]
    lab.run(name, "-k", "slow")
    alone = lab.result
    assert alone.item == whole.item == "slow"
    assert alone.measures == whole.measures
    assert alone.reason == whole.reason


# -- pytest's own ways --------------------------------------------------------------------


def test_the_first_lines_say_which_bench_and_the_last_where_the_report_is(lab) -> None:
    result = lab.run(lab.plan())
    result.stdout.fnmatch_lines([
        "collected 1 item*",
        "bench: SIMULATED bench of rig dosing-pump, as asked for",
        "t.plan.yaml .*",
        "*= bench =*",
        "SIMULATED: 1 pass",
        "run folder: runs*",
        "report: *report.html",
        "*1 passed*",
    ])  # fmt: skip


def test_what_failed_is_told_in_lines_not_in_a_traceback(lab) -> None:
    result = lab.run(lab.plan(TWO))
    result.stdout.fnmatch_lines([
        "t.plan.yaml .F*",
        "*__ slow __*",
        "firmware: time-to-speed *at most 0.02 s*",
        "  verdict fail, under direction cw, sensing hall, supply 24 V, speed 1500 rpm",
        "FAIL t.plan.yaml::slow - firmware: time-to-speed *",
    ])  # fmt: skip
    assert "Traceback" not in result.stdout.str()
    assert "hil/plugins" not in result.stdout.str()
    assert "simple rule" not in result.stdout.str()
    assert result.stdout.str().count("time-to-speed") == 2, "in the block, and in the summary"
    assert "simple rule" in lab.record.results[-1].reason


def test_verbose_and_quiet(lab) -> None:
    name = lab.plan(TWO)
    verbose = lab.run(name, "-v")
    verbose.stdout.fnmatch_lines(["t.plan.yaml::good PASS *", "t.plan.yaml::slow FAIL *"])
    quiet = lab.run(name, "-q")
    assert quiet.stdout.lines[0].startswith("bench: SIMULATED")
    # pytest may add a warning of its own about plugins that this process has loaded already
    quiet.stdout.fnmatch_lines([".F*", "1 failed, 1 passed*"])


def test_stopping_at_the_first_failure_leaves_a_record_that_says_so(lab) -> None:
    name = lab.plan(TWO.replace("id: good", "id: x").replace("id: slow", "id: good")
                    .replace("id: x", "id: slow").replace("max: 2 s", "max: 2 ms"))  # fmt: skip
    result = lab.run(name, "-x")
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    assert lab.record.end.reason == "stopped: stopping after 1 failures"
    done, left = lab.record.results
    assert (done.item, done.verdict) == ("slow", Verdict.FAIL)
    assert (left.item, left.verdict) == ("good", Verdict.NOT_RUN)
    assert left.reason == "stopped: stopping after 1 failures"


def test_last_failed_runs_what_failed(lab) -> None:
    name = lab.plan(TWO)
    lab.run(name)
    result = lab.run(name, "--lf")
    result.assert_outcomes(failed=1)
    assert [r.item for r in lab.record.results] == ["slow"]
    assert lab.record.start.items == ("slow",)


def test_pytests_junit_file_and_ours_agree(lab) -> None:
    lab.run(lab.plan(TWO), "--junitxml=theirs.xml")
    theirs = ET.parse(lab.path / "theirs.xml").getroot()
    ours = ET.parse(lab.folders[-1] / "junit.xml").getroot()
    for tree in (theirs, ours):
        failed = [c.get("name") for c in tree.iter("testcase") if c.find("failure") is not None]
        assert failed == ["slow"]
    assert [p.get("value") for p in theirs.iter("property")] == ["REQ-1"]


def test_undecided_is_no_pass(lab) -> None:
    name = lab.plan(
        "  - {id: u, scenario: start, speed: 1000 rpm, hold: 0.4 s, "
        "bands: {telemetry-loss: {max: 0.01 %}}}\n"
    )
    result = lab.run(name)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(["t.plan.yaml U*", "UNDECIDED t.plan.yaml::u - telemetry-loss*"])
    assert lab.result.verdict is Verdict.UNDECIDED


def test_a_plain_session_makes_no_run_folder(lab) -> None:
    lab.pytester.makepyfile("def test_plain(): pass")
    result = lab.run()
    assert result.ret == 0
    assert "bench" not in result.stdout.str()
    assert not (lab.path / "runs").exists()


def test_two_sessions_in_one_process_do_not_share_why_they_ended(lab) -> None:
    lab.pytester.makepyfile("def test_plain(): raise KeyboardInterrupt")
    assert lab.run().ret == pytest.ExitCode.INTERRUPTED
    lab.run(lab.plan())
    assert lab.record.end.reason == "completed"


def test_a_page_that_cannot_be_made_is_told_and_the_record_stays(lab, monkeypatch) -> None:
    def broken(_folder):
        raise OSError("no space left on device")

    monkeypatch.setattr(sys.modules["hil.report.rebuild"], "rebuild", broken)
    result = lab.run(lab.plan())
    assert result.ret == pytest.ExitCode.INTERNAL_ERROR
    result.stdout.fnmatch_lines(["the run folder is incomplete: OSError: no space left*"])
    assert lab.record.end.reason == "completed"


def test_a_defect_of_ours_is_recorded_as_no_fault_of_the_firmware(lab, monkeypatch) -> None:
    import hil.scenarios.execute

    def broken(*_args):
        raise ZeroDivisionError("oops")

    monkeypatch.setattr(hil.scenarios.execute, "measure", broken)
    result = lab.run(lab.plan(TWO))
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    assert [(r.verdict.value, r.reason) for r in lab.record.results] == [
        ("bench-fault", "harness: ZeroDivisionError: oops")
    ] * 2
    assert lab.left_on == [False, False]
    assert lab.record.interrupted == ()


def test_every_line_of_a_record_is_json_with_a_kind(lab) -> None:
    lab.run(lab.plan())
    lines = (lab.folders[-1] / "record.jsonl").read_text(encoding="ascii").splitlines()
    assert all(json.loads(line)["kind"] for line in lines)


def test_run_folders_sort_by_time(lab) -> None:
    lab.run(lab.plan())
    assert re.fullmatch(r"\d{4}-\d\d-\d\dt\d\d-\d\d-\d\dz-[0-9a-f]{4}", lab.folders[0].name)


def test_a_finished_run_can_be_verified(lab) -> None:
    from hil.store.intact import check_run

    assert lab.run(lab.plan()).ret == 0
    folder = lab.record.path
    checked = check_run(folder)
    assert checked.intact, checked.differences
    listed = {file.name for file in folder.iterdir() if file.is_file()}
    assert {"record.jsonl", "report.html", "manifest.json"} <= listed
    assert checked.files > len(listed) - 1
    (folder / "inputs" / "t.plan.yaml").write_text("format: 1\n")
    assert [one.path for one in check_run(folder).differences] == ["inputs/t.plan.yaml"]


AGAIN = """
import pytest
from _pytest.runner import runtestprotocol

@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item, nextitem):
    for attempt in range(3):
        item._initrequest()
        reports = runtestprotocol(item, nextitem=nextitem, log=False)
        if all(report.passed for report in reports):
            break
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    return True
"""
LATER = """
import pytest
pytestmark = pytest.mark.hil(rig={rig!r})
attempts = []

def test_start(hil_script):
    attempts.append(1)
    hil_script.prepare(voltage=24.0, sensing="hall")
    found = hil_script.start(1000.0)
    hil_script.judge(found["time-to-speed"], high=2.0 if len(attempts) > {failing} else 0.02)
"""


@pytest.mark.parametrize("failing", [0, 1])
def test_a_later_pass_of_an_item_that_another_plugin_repeats_erases_no_fail(lab, failing) -> None:
    lab.pytester.makeconftest(AGAIN)
    lab.pytester.makepyfile(test_later=LATER.format(rig=str(RIG), failing=failing))
    result = lab.run()
    result.assert_outcomes(passed=1)
    assert [r.verdict for r in lab.record.results] == [Verdict.FAIL] * failing + [Verdict.PASS]
    told = "THE RUN FAILS: test_later.test_start came to fail in an earlier attempt, *"
    if failing:
        assert result.ret == pytest.ExitCode.TESTS_FAILED
        result.stdout.fnmatch_lines([told])
    else:
        assert result.ret == pytest.ExitCode.OK
        result.stdout.no_fnmatch_line(told)


def test_the_plan_of_fixtures_is_shown_without_a_bench(lab) -> None:
    lab.pytester.makepyfile(test_one=LATER.format(rig=str(RIG), failing=0))
    result = lab.run(lab.plan(), "test_one.py", "--setup-plan", bench="hardware")
    assert result.ret == pytest.ExitCode.OK
    result.stdout.fnmatch_lines(["*SETUP *F hil_bench*", "*test_one.py::test_start*"])
    assert not (lab.path / "runs").exists()
    assert lab.worlds == []
