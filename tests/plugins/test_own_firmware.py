"""Whole sessions with firmware that crashes, hangs or does not compile: a verdict, then on."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from hil.core.record import RunEnd
from hil.store.reading import read
from hil.store.traces import read_trace
from hil.twin import library

TESTPLANS = Path(__file__).parents[2] / "testplans"
PLAN = """
format: 1
plan: mine
rig: rig.yaml
scenarios:
  - id: s
    scenario: start
    hold: 0.3 s
    within: 2 s
    matrix: {{speed: [{speeds}]}}
    bands: {{success: {{exactly: 1}}}}
"""
#: What happens when the drive is told to turn so fast.
BAD_START = """
    if (rpm == 1500) abort();
    if (rpm == 1600) for (volatile int forever = 1; forever;) {}
    if (rpm == 1700) drive.i_seen = drive.angle = NAN, drive.speed = NAN;
"""


@pytest.fixture
def folder(tmp_path):
    """A plan, a rig and the field-oriented firmware, broken for some speeds."""
    if library.compiler() is None:
        pytest.skip("no C compiler on this machine")
    shutil.copytree(TESTPLANS / "firmware" / "field_oriented", tmp_path / "src")
    control = tmp_path / "src" / "control.c"
    text = control.read_text()
    anchor = "int drive_start(long rpm)\n{"
    assert anchor in text
    control.write_text("#include <stdlib.h>\n" + text.replace(anchor, anchor + BAD_START))
    (tmp_path / "rig.yaml").write_text(
        f"based-on: {TESTPLANS / 'rigs' / 'dosing-pump-foc.yaml'}\nrig: mine\n"
        "twin:\n  firmware:\n    sources: {files: [src/*.c]}\n"
    )
    return tmp_path


def session(folder: Path, speeds: str, command: list[str], *options: str):
    (folder / "mine.plan.yaml").write_text(PLAN.format(speeds=speeds))
    done = subprocess.run(
        [*command, "mine.plan.yaml", "--hil-bench=twin", "--hil-out", "runs", "-p",
         "no:cacheprovider", *options],
        cwd=folder, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    runs = sorted((folder / "runs").glob("*")) if (folder / "runs").is_dir() else []
    return done, read(runs[0]) if runs else None, runs[0] if runs else None


def test_the_run_goes_on_after_each_failure_of_the_firmware(folder):
    speeds = "1000 rpm, 1500 rpm, 1600 rpm, 1700 rpm, 1100 rpm"
    done, record, run = session(folder, speeds, [sys.executable, "-m", "pytest"])
    assert done.returncode == 1, done.stdout + done.stderr
    assert record is not None
    results = list(record.results)
    assert [one.verdict.value for one in results] == ["pass", "fail", "fail", "fail", "pass"]
    reasons = [one.reason for one in results]
    for reason, text in zip(
        reasons[1:4],
        (
            r"firmware: src: port_receive crashed with SIGABRT \(aborted\), at \d\.\d+ s",
            r"firmware: src: port_receive did not return within 5 s \(an endless loop\?\), at \d",
            r"firmware: src: duty nan on leg A, expected 0 to 1, at \d\.\d+ s",
        ),
        strict=True,
    ):
        assert re.match(text, reason), reason
        assert reason.split("\n")[0] in done.stdout
    for one in results[1:4]:
        (name,) = one.traces
        trace = read_trace(run / "traces" / Path(name).name)
        when = float(re.search(r"at (\d\.\d+) s", one.reason).group(1))
        assert trace.channels["reported.voltage"].t.size > 5
        assert trace.channels["witness.speed"].t.size > 20
        assert trace.end > 0.1
        assert 0.05 < when < 3.0
    assert isinstance(record.entries[-1], RunEnd)
    hashes = record.start.hashes
    assert {"control.c", "rotor.c", "link.c", "drive.h"} <= set(hashes)
    compiled = record.start.firmware
    assert {"control.c", "rotor.c", "link.c", "drive.h"} <= set(compiled)
    assert compiled.items() <= hashes.items()
    assert not {"rig.yaml", "profile.yaml"} & set(compiled)
    assert (run / "inputs" / "control.c").read_text() == (folder / "src/control.c").read_text()


def test_the_console_script_does_the_same(folder):
    script = Path(sys.executable).with_name("pytest")
    if not script.exists():
        pytest.skip("pytest is not installed as a command beside this Python")
    done, record, _ = session(folder, "1500 rpm, 1000 rpm", [str(script)], "-q")
    assert record is not None, done.stdout + done.stderr
    assert [one.verdict.value for one in record.results] == ["fail", "pass"], done.stdout


def test_sources_that_do_not_compile_stop_the_session_with_the_compilers_words(folder):
    rotor = folder / "src" / "rotor.c"
    rotor.write_text(rotor.read_text().replace("static int sector, way;", "static int sector way;"))
    done, record, _ = session(folder, "1000 rpm", [sys.executable, "-m", "pytest"])
    assert done.returncode == 4
    assert record is None
    assert re.search(
        r"rig\.yaml:5:5: twin\.firmware\.sources: firmware does not compile \(.*rotor\.c.*\):",
        done.stderr,
    ), done.stderr
    assert re.search(r"rotor\.c:\d+:\d+: error: ", done.stderr)


SCRIPT = """
import pytest

pytestmark = pytest.mark.hil(rig="rig.yaml")


@pytest.mark.parametrize("speed", [1500.0, 1000.0])
def test_run(hil_script, speed):
    hil_script.prepare(voltage=24.0, sensing="hall")
    measured = hil_script.start(speed)
    hil_script.judge(measured["time-to-speed"], high=2.0)
"""


def test_a_scenario_in_python_fails_and_the_next_one_runs(folder):
    (folder / "test_mine.py").write_text(SCRIPT)
    done, record, run = session(
        folder, "1000 rpm", [sys.executable, "-m", "pytest"], "test_mine.py", "-q"
    )
    assert record is not None, done.stdout + done.stderr
    results = {one.item: one for one in record.results}
    bad, good = results["test_mine.test_run-1500.0"], results["test_mine.test_run-1000.0"]
    assert (bad.verdict.value, good.verdict.value) == ("fail", "pass")
    assert bad.reason.startswith("firmware: src: port_receive crashed with SIGABRT")
    (name,) = bad.traces
    trace = read_trace(run / "traces" / Path(name).name)
    assert trace.channels["reported.voltage"].t.size > 5


def test_firmware_that_crashes_at_power_up_fails_every_item(folder):
    link = folder / "src" / "link.c"
    text = link.read_text()
    anchor = "void link_reset(void)\n{"
    assert anchor in text
    link.write_text(text.replace(anchor, anchor + " abort();"))
    done, record, _ = session(folder, "1000 rpm, 1100 rpm", [sys.executable, "-m", "pytest"])
    assert done.returncode == 1, done.stdout + done.stderr
    assert record is not None
    assert [one.verdict.value for one in record.results] == ["fail", "fail"]
    assert all("port_reset crashed with SIGABRT" in one.reason for one in record.results)
