"""Going on with an interrupted run: in its own folder, with nothing else than before."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from hil.core.record import Identity, Resumed
from hil.core.verdict import Verdict
from hil.store.folder import RunFolder
from hil.store.reading import RECORD, read

TESTPLANS = Path(__file__).parents[2] / "testplans"
THREE = """
  - id: a
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}}
  - id: b
    scenario: start
    speed: 1200 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}, time-to-speed: {max: 2 s}}
  - id: c
    scenario: start
    direction: ccw
    speed: 900 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}}
"""


def cut(folder: Path, lines: int, rest: int = 0) -> Path:
    """Make the record what it was after so many lines, and a part of the next."""
    record = folder / RECORD
    content = record.read_bytes().splitlines(keepends=True)
    record.write_bytes(b"".join(content[:lines]) + (content[lines][:rest] if rest else b""))
    return folder


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def killed(lab):
    """A run folder as a kill in the second of three items leaves it, and its whole measures.csv."""
    plan = lab.plan(THREE)
    lab.run(plan)
    (folder,) = lab.folders
    whole = (folder / "measures.csv").read_bytes()
    for derived in ("measures.csv", "junit.xml", "report.html", "manifest.json"):
        (folder / derived).unlink(missing_ok=True)
    return plan, cut(folder, 4), whole


def test_a_killed_run_goes_on_and_measures_what_an_uninterrupted_one_does(lab, killed) -> None:
    plan, folder, whole = killed
    result = lab.run(plan, f"--hil-resume={folder}")
    assert result.ret == pytest.ExitCode.OK
    result.assert_outcomes(passed=2, deselected=1)
    assert lab.folders == [folder]
    assert (folder / "measures.csv").read_bytes() == whole
    record = lab.record
    assert [type(entry).kind for entry in record.entries] == [
        "run-start", "item-start", "item", "item-start",
        "resumed", "note", "item-start", "item", "item-start", "item", "run-end",
    ]  # fmt: skip
    (part,) = record.resumed
    assert (part.number, part.kept, part.again) == (1, 1, ("b", "c"))
    assert [(w.role, w.model, w.revision) for w in part.identities] == [
        (w.role, w.model, w.revision) for w in record.start.identities
    ]
    assert [r.item for r in record.results] == ["a", "b", "c"]
    assert (record.interrupted, record.never_begun) == ((), ())
    assert dict(record.end.counts) == {"pass": 3}
    assert record.notes[0].item == "b"
    assert "interrupted" in record.notes[0].text


def test_the_terminal_names_what_is_kept_and_what_is_run(lab, killed) -> None:
    plan, folder, _ = killed
    result = lab.run(plan, f"--hil-resume={folder}", "-v")
    result.stdout.fnmatch_lines([
        f"resumes {folder}",
        "  kept, with a verdict: 1; run now: 1 interrupted, 1 not run",
        "  kept: pass*a",
        "SIMULATED: 3 pass",
        "resumed: 1 of these verdicts are from before the interruption",
    ])  # fmt: skip


def test_both_parts_are_in_one_report_that_says_so(lab, killed) -> None:
    plan, folder, _ = killed
    lab.run(plan, f"--hil-resume={folder}")
    (part,) = lab.record.resumed
    suite = ET.parse(folder / "junit.xml").getroot()
    assert [case.get("name") for case in suite.iter("testcase")] == ["a", "b", "c"]
    assert not list(suite.iter("error"))
    properties = {p.get("name"): p.get("value") for p in suite.iter("property")}
    assert properties["resumed"] == f"1 time: {part.utc}"
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "Resumed" in page
    assert part.utc in page
    assert "3 items passed" in " ".join(page.split())


def test_a_run_may_be_interrupted_again_and_again(lab, killed) -> None:
    plan, folder, whole = killed
    lab.run(plan, f"--hil-resume={folder}")
    cut(folder, 9, rest=50)  # c began, its result was being written
    lab.run(plan, f"--hil-resume={folder}")
    record = lab.record
    assert [(p.number, p.kept, p.again) for p in record.resumed] == [
        (1, 1, ("b", "c")), (2, 2, ("c",)),
    ]  # fmt: skip
    assert any("cut off an unfinished line" in note.text for note in record.notes)
    assert (folder / "measures.csv").read_bytes() == whole


def test_a_run_that_was_stopped_in_order_goes_on_too(lab) -> None:
    plan = lab.plan(THREE)

    def stop(_world: object) -> None:
        raise KeyboardInterrupt("signal SIGTERM")

    lab.run(plan)
    whole = (lab.folders[0] / "measures.csv").read_bytes()
    lab.strike(0.5, stop)
    ended = lab.run(plan)
    assert ended.ret == pytest.ExitCode.INTERRUPTED
    ended.stdout.fnmatch_lines([
        "SIMULATED: 1 interrupted, 2 not-run",
        "not-run: interrupted: signal SIGTERM: b, c",
        "interrupted: signal SIGTERM, in the midst of a",
    ])  # fmt: skip
    folder = lab.folders[-1]
    assert [(r.item, r.verdict, r.interrupted) for r in lab.record.results] == [
        ("a", Verdict.NOT_RUN, True), ("b", Verdict.NOT_RUN, False), ("c", Verdict.NOT_RUN, False),
    ]  # fmt: skip
    assert dict(lab.record.end.counts) == {"interrupted": 1, "not-run": 2}
    assert standings(folder) == {"a": "Interrupted", "b": "skipped", "c": "skipped"}
    page = " ".join((folder / "report.html").read_text(encoding="utf-8").split())
    assert "interrupted: signal SIGTERM" in page
    assert 'class="item is-interrupted"' in page
    assert 'class="item is-bench-fault"' not in page
    lab.strikes.clear()
    result = lab.run(plan, f"--hil-resume={folder}")
    assert result.ret == pytest.ExitCode.OK
    assert lab.record.resumed[0].again == ("a", "b", "c")
    assert [(r.item, r.verdict.value) for r in lab.record.results] == [
        ("a", "pass"), ("b", "pass"), ("c", "pass"),
    ]  # fmt: skip
    assert standings(folder) == {"a": "", "b": "", "c": ""}
    assert (folder / "measures.csv").read_bytes() == whole


def standings(folder: Path) -> dict[str, str]:
    """What JUnit says of each item: how its error is called, skipped, or nothing."""
    cases = ET.parse(folder / "junit.xml").getroot().iter("testcase")
    return {str(case.get("name")): next((e.get("type", e.tag) for e in case), "") for case in cases}


def test_a_verdict_stands_and_decides_the_exit_code(lab) -> None:
    plan = lab.plan(THREE.replace(
        "bands: {success: {exactly: 1}}", "bands: {time-to-speed: {max: 1 ms}}", 1))  # fmt: skip
    lab.run(plan)
    folder = cut(lab.folders[0], 3)
    result = lab.run(plan, f"--hil-resume={folder}")
    result.assert_outcomes(passed=2, deselected=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    assert dict(lab.record.end.counts) == {"fail": 1, "pass": 2}


def test_a_run_that_lost_only_its_last_line_is_completed(lab, killed) -> None:
    plan, folder, whole = killed
    lab.run(plan, f"--hil-resume={folder}")
    cut(folder, 10)
    result = lab.run(plan, f"--hil-resume={folder}")
    assert result.ret == pytest.ExitCode.OK
    assert lab.record.end is not None
    assert lab.record.resumed[-1].again == ()
    assert (folder / "measures.csv").read_bytes() == whole


# -- refusals: one message, exit code, and nothing changed ------------------------------------


def refused(lab, folder: Path, *args: str) -> str:
    before, folders = snapshot(folder), lab.folders
    result = lab.run(*args, f"--hil-resume={folder}")
    assert result.ret in (pytest.ExitCode.USAGE_ERROR, 10)
    assert snapshot(folder) == before
    assert lab.folders == folders
    assert not any(lab.left_on)
    text = result.stdout.str() + result.stderr.str()
    assert "INTERNALERROR" not in text
    return " ".join(text.split())


def test_a_changed_plan_is_refused_with_both_hashes(lab, killed) -> None:
    _, folder, _ = killed
    old = read(folder).start.hashes["t.plan.yaml"]
    plan = lab.plan(THREE + "# a word more\n")
    text = refused(lab, folder, plan)
    found = re.search(r"t\.plan\.yaml: SHA-256 was (\w+), is (\w+)", text)
    assert found is not None, text
    assert old.startswith(found[1])
    assert found[1] != found[2]


def test_another_rig_and_its_limits_are_refused(lab, killed) -> None:
    _, folder, _ = killed
    rig = lab.rig("limits: {speed: 6000 rpm}")
    text = refused(lab, folder, lab.plan(THREE), f"--hil-rig={rig}")
    assert "rig name: was dosing-pump, is changed" in text
    assert "changed.yaml: SHA-256 was none, is" in text
    assert "limit " in text


def test_another_seed_is_refused(lab, killed) -> None:
    plan, folder, _ = killed
    assert "seed: was 1, is 2" in refused(lab, folder, plan, "--hil-seed=2")


def test_the_seed_of_the_run_is_taken_over(lab) -> None:
    plan = lab.plan(THREE)
    lab.run(plan, "--hil-seed=7")
    (folder,) = lab.folders
    whole = (folder / "measures.csv").read_bytes()
    cut(folder, 2)
    assert lab.run(plan, f"--hil-resume={folder}").ret == pytest.ExitCode.OK
    assert (folder / "measures.csv").read_bytes() == whole


def test_another_firmware_on_the_board_is_refused(lab, killed) -> None:
    plan, folder, _ = killed
    record = folder / RECORD
    first, *rest = record.read_text().splitlines(keepends=True)
    start = json.loads(first)
    (board,) = [who for who in start["identities"] if who["role"] == "board"]
    was, board["revision"] = board["revision"], "1.4.0-other"
    record.write_text(json.dumps(start) + "\n" + "".join(rest))
    text = refused(lab, folder, plan)
    assert re.search(rf"board: was .*1\.4\.0-other, is .*{re.escape(was)}", text), text
    assert "nothing was run" in text


def test_a_run_that_came_to_its_end_is_refused(lab, killed) -> None:
    plan, folder, _ = killed
    lab.run(plan, f"--hil-resume={folder}")
    assert "came to its end" in refused(lab, folder, plan)


def test_items_that_are_not_collected_are_refused(lab, killed) -> None:
    plan, folder, _ = killed
    text = refused(lab, folder, plan, "--deselect", f"{plan}::a", "--deselect", f"{plan}::b")
    assert "2 of its 3 items are not among those collected (a, b)" in text


def test_other_plans_stay_out(lab, killed) -> None:
    plan, folder, _ = killed
    other = lab.plan(THREE.replace("id: ", "id: other-"), name="other")
    result = lab.run(plan, other, f"--hil-resume={folder}")
    result.assert_outcomes(passed=2, deselected=4)
    result.stdout.fnmatch_lines(["not part of that run and left out: 3 collected items"])
    assert set(lab.record.start.items) == {r.item for r in lab.record.results}


def test_a_folder_without_a_record_is_refused(lab, killed, tmp_path) -> None:
    plan, _, _ = killed
    result = lab.run(plan, f"--hil-resume={tmp_path}")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "no readable record" in result.stderr.str() + result.stdout.str()


def test_a_folder_that_is_being_written_is_refused(lab, killed) -> None:
    plan, folder, _ = killed
    with RunFolder.reopen(folder):
        assert "still writing this run" in refused(lab, folder, plan)
    assert lab.run(plan, f"--hil-resume={folder}").ret == pytest.ExitCode.OK


def test_workers_are_refused(lab, killed) -> None:
    plan, folder, _ = killed
    before = snapshot(folder)
    result = lab.pytester.runpytest_subprocess(
        plan, "-n", "2", "--hil-bench=twin", f"--hil-resume={folder}"
    )
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "leave -n out" in result.stdout.str() + result.stderr.str()
    assert snapshot(folder) == before


def test_nothing_is_resumed_by_collecting(lab, killed) -> None:
    plan, folder, _ = killed
    before = snapshot(folder)
    result = lab.run(plan, f"--hil-resume={folder}", "--collect-only", "-q")
    result.stdout.fnmatch_lines(["*::b", "*::c"])
    result.stdout.no_fnmatch_line("*::a")
    assert snapshot(folder) == before


# -- Python scenarios, own firmware --------------------------------------------------------------


def test_python_scenarios_go_on(lab) -> None:
    rig = TESTPLANS / "rigs" / "dosing-pump.yaml"
    lab.pytester.makepyfile(
        test_dose=f"""
        import pytest

        pytestmark = pytest.mark.hil(rig={str(rig)!r})

        @pytest.mark.parametrize("speed", [900.0, 1100.0])
        def test_dose(hil_script, speed):
            hil_script.prepare(voltage=24.0, sensing="hall")
            measured = hil_script.start(speed)
            hil_script.judge(measured["time-to-speed"], high=1.5)
        """
    )
    lab.run("test_dose.py")
    (folder,) = lab.folders
    whole = (folder / "measures.csv").read_bytes()
    cut(folder, 4)
    result = lab.run("test_dose.py", f"--hil-resume={folder}")
    result.assert_outcomes(passed=1, deselected=1)
    assert (folder / "measures.csv").read_bytes() == whole


# -- a real kill -----------------------------------------------------------------------------------


def test_a_run_killed_in_earnest_goes_on(lab) -> None:
    plan = lab.plan(THREE.replace("hold: 0.2 s", "hold: 3 s"))
    command = [
        sys.executable, "-m", "pytest", plan, "-q", "-p", "no:cacheprovider", "--hil-bench=twin",
        "--hil-out=runs",
    ]  # fmt: skip
    whole = subprocess.run(command, cwd=lab.path, capture_output=True, check=False)
    assert whole.returncode == 0, whole.stdout
    (first,) = lab.folders
    run = subprocess.Popen(command, cwd=lab.path, stdout=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 60.0
        while time.monotonic() < end:
            records = [p for p in lab.path.glob(f"runs/*/{RECORD}") if p.parent != first]
            if records and b'"kind":"item"' in records[0].read_bytes():
                break
            time.sleep(0.002)
        run.send_signal(signal.SIGKILL)
    finally:
        run.kill()
        run.wait()
    folder = records[0].parent
    assert read(folder).end is None
    again = subprocess.run(
        [*command, f"--hil-resume={folder}"], cwd=lab.path, capture_output=True, check=False
    )
    assert again.returncode == 0, again.stdout
    assert (folder / "measures.csv").read_bytes() == (first / "measures.csv").read_bytes()


def test_a_resumed_entry_reads_back_as_written() -> None:
    from hil.store.codec import decode, encode

    entry = Resumed(
        utc="2026-03-01T22:15:09.123Z", number=1, bench="b", kept=2, again=("x",),
        identities=(Identity(role="board"),), host={"machine": "m"},
    )  # fmt: skip
    assert decode(encode(entry)) == entry
