"""A search for a build that is killed while a run of it turns the shaft."""

from __future__ import annotations

import subprocess
import sys

import pytest

from hil.core.verdict import Verdict


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells a child")
def test_the_run_leaves_the_bench_safe_by_itself_and_ends(hardware) -> None:
    command = hardware.command("--hil-preflight=off", "t.plan.yaml")
    log = hardware.folder / "search.log"
    search = (
        "from pathlib import Path\n"
        "from hil.scenarios.bisect_builds import call\n"
        f"call({command!r}, Path({str(hardware.folder)!r}), 600.0, Path({str(log)!r}))\n"
    )
    hardware.run = subprocess.Popen(
        [sys.executable, "-c", search], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    hardware.wait(lambda: hardware.turning, 60.0, "the shaft does not turn")
    assert hardware.strike(hardware.run.kill) < 5.0

    def record():
        return hardware.finish()[2]

    hardware.wait(lambda: record().end is not None, 30.0, "the run goes on")
    told = record()
    assert "SIGTERM" in told.end.reason
    first, second = told.results
    assert (first.verdict, first.interrupted) == (Verdict.NOT_RUN, True)
    assert any("supply off" in step for step in first.steps)
    assert second.verdict is Verdict.NOT_RUN
    assert "CHECK THE BENCH" not in log.read_text()
    # In order, by the run itself: its guard was not left alone.
    hardware.wait(lambda: "disarmed" in hardware.guard_log(), 2.0, "the guard says nothing")
    assert "without disarming" not in hardware.guard_log()
