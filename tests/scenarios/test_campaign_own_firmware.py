"""Campaigns with the user's own firmware: its process is the worker's, and so is its crash."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.core.verdict import Verdict
from hil.scenarios.campaign_pool import PoolWorkers
from hil.scenarios.campaign_task import Task, run_task
from hil.twin.variation import Change, Variation

TESTPLANS = Path(__file__).parents[2] / "testplans"
PLAN = """
format: 1
plan: brief
rig: rig.yaml
scenarios:
  - id: start
    scenario: start
    speed: 1000 rpm
    hold: 0.1 s
    bands: {success: {exactly: 1}, time-to-speed: {max: 2 s}}
"""


@pytest.fixture
def plan(tmp_path, firmware_c):
    """The field-oriented firmware, and a macro that makes it crash as it starts."""
    firmware_c()  # skips without a compiler
    source = tmp_path / "crash.c"
    source.write_text(
        "#include <stdlib.h>\n#ifdef CRASH\n#define drive_start good_start\n#endif\n"
        f'#include "{TESTPLANS / "firmware" / "field_oriented" / "control.c"}"\n'
        "#ifdef CRASH\n#undef drive_start\nint drive_start(long rpm) { (void)rpm; abort(); }\n"
        "#endif\n"
    )
    field_oriented = TESTPLANS / "firmware" / "field_oriented"
    others = [file for file in field_oriented.glob("*.c") if file.name != "control.c"]
    (tmp_path / "rig.yaml").write_text(
        f"based-on: {TESTPLANS / 'rigs' / 'dosing-pump-foc.yaml'}\nrig: mine\n"
        "twin:\n  firmware:\n    sources:\n"
        f"      files: [crash.c, {', '.join(str(file) for file in others)}]\n"
        f"      include: [{field_oriented}]\n      flags: [-w]\n"
    )
    (tmp_path / "brief.plan.yaml").write_text(PLAN)
    return str(tmp_path / "brief.plan.yaml")


CRASH = Variation("crash", (Change("firmware.defines.CRASH", "1"),))


def test_a_crash_is_the_result_of_its_task(plan):
    good, bad = (run_task(Task(plan, "start", variation=v)) for v in (Variation(), CRASH))
    assert (good.verdict, bad.verdict) == (Verdict.PASS, Verdict.FAIL), good.reason
    assert "port_receive crashed with SIGABRT" in bad.reason


def test_workers_in_processes_of_their_own(plan):
    tasks = [Task(plan, "start", variation=v) for v in (CRASH, Variation(), CRASH, Variation())]
    workers = PoolWorkers(2)
    try:
        futures = [workers.submit([task]) for task in tasks]
        results = [future.result(timeout=100.0)[0] for future in futures]
    finally:
        workers.close()
    verdicts = [one.verdict for one in results]
    assert verdicts == [Verdict.FAIL, Verdict.PASS] * 2
    assert results[0].reason == run_task(tasks[0]).reason
