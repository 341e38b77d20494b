"""Campaigns in real processes of this machine."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import time
from pathlib import Path

import pytest

from hil.core.errors import HarnessError, PlanError
from hil.core.verdict import Verdict
from hil.scenarios.campaign import run_campaign
from hil.scenarios.campaign_joint import PERIOD
from hil.scenarios.campaign_pool import PoolWorkers
from hil.scenarios.campaign_task import Task, run_task
from hil.twin.population import Distribution, Spread, Tolerances, healthy_rig

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
PLAN = f"""
format: 1
plan: brief
rig: {RIG}
scenarios:
  - id: start
    scenario: start
    speed: 1000 rpm
    hold: 0.1 s
    matrix: {{sensing: [hall, back-emf]}}
    bands: {{success: {{exactly: 1}}, time-to-speed: {{max: 2 s}}}}
"""
#: A variation that ends its process: every time, or only if nobody left a note yet.
DEADLY = """
import os
from dataclasses import dataclass
from pathlib import Path
from hil.twin.variation import Variation

@dataclass(frozen=True)
class Deadly(Variation):
    note: str = ""

    def applied(self, root, described):
        if not self.note:
            os._exit(9)
        try:
            Path(self.note).touch(exist_ok=False)
        except FileExistsError:
            return described
        os._exit(9)
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("pool")
    (folder / "brief.plan.yaml").write_text(PLAN)
    (folder / "deadly_variation.py").write_text(DEADLY)
    return folder


@pytest.fixture(scope="module")
def tasks(folder) -> list[Task]:
    """Two items on three rigs."""
    tolerances = Tolerances(resistance=Spread(0.1), back_emf=Spread(0.1, Distribution.NORMAL))
    return [
        Task(str(folder / "brief.plan.yaml"), item, "", healthy_rig(tolerances, 1, n), f"1/{n}")
        for n in range(1, 4)
        for item in ("start.hall", "start.back-emf")
    ]


@pytest.fixture(scope="module")
def expected(tasks):
    """What the tasks come to in this process."""
    return [run_task(one) for one in tasks]


@pytest.fixture
def deadly(folder, monkeypatch):
    """The variation that ends its process; workers find it because they inherit the path."""
    monkeypatch.syspath_prepend(str(folder))
    yield importlib.import_module("deadly_variation").Deadly
    sys.modules.pop("deadly_variation", None)


@pytest.mark.parametrize("jobs", [1, 2])
def test_the_same_results_for_any_number_of_processes(tasks, expected, jobs) -> None:
    assert list(run_campaign(tasks, jobs=jobs)) == expected
    assert len({r.measured for r in expected}) == len(expected), "every rig differs"


def test_dying_workers_cost_no_result_and_a_culprit_is_named(
    tasks, expected, deadly, folder
) -> None:
    once = Task(tasks[0].plan, "start.hall", variation=deadly("once", note=str(folder / "note")))
    ever = Task(tasks[0].plan, "start.hall", variation=deadly("ever"))
    mixed = [*tasks[:2], once, *tasks[2:4], ever, *tasks[4:]]
    found = list(run_campaign(mixed, jobs=2))
    assert [r.task for r in found] == mixed
    assert [r for r in found if r.task in tasks] == expected
    assert found[2].verdict is Verdict.PASS
    assert found[5].verdict is Verdict.BENCH_FAULT
    assert "died" in found[5].reason
    assert "ever" in found[5].reason


def test_an_error_of_a_file_comes_through_from_the_worker(tmp_path) -> None:
    wrong = tmp_path / "wrong.plan.yaml"
    wrong.write_text("format: 1\nplan: wrong\nscenarios: []\n")
    with pytest.raises(PlanError, match=r"wrong\.plan\.yaml:3") as caught:
        list(run_campaign([Task(str(wrong), "x")], jobs=1))
    assert caught.value.line == 3


def test_workers_that_cannot_start_are_nobodys_fault(tasks, monkeypatch, capfd) -> None:
    monkeypatch.setattr("hil.scenarios.campaign_pool._begin", os.abort)
    with pytest.raises(HarnessError, match="die while they start"):
        list(run_campaign(tasks[:2], jobs=1))
    capfd.readouterr()


def children() -> set[str]:
    """Worker processes of this one."""
    listed = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text().split()
    names = {pid: Path(f"/proc/{pid}/cmdline") for pid in listed}
    return {
        pid for pid, line in names.items() if line.exists() and b"spawn_main" in line.read_bytes()
    }


def test_a_campaign_can_be_ended_while_its_tasks_run(tasks) -> None:
    """Chunks take longer than the time between two looks: more looks than there are results."""
    looks, before, results = [], children(), []

    def joint() -> None:
        looks.append(time.monotonic())
        if results and looks[-1] - looks[-2] >= 0.9 * PERIOD:
            raise KeyboardInterrupt

    campaign = run_campaign(tasks * 50, jobs=1, joint=joint)
    with pytest.raises(KeyboardInterrupt):
        results.extend(campaign)
    assert len(results) < len(tasks * 50)
    assert children() == before


def test_a_worker_that_does_not_end_when_asked_is_killed(monkeypatch) -> None:
    monkeypatch.setattr("hil.scenarios.campaign_pool._LEAVING", 0.3)
    before, pool = children(), PoolWorkers._new(1)
    pool.submit(signal.signal, signal.SIGTERM, signal.SIG_IGN).result(timeout=60.0)
    assert len(children() - before) == 1
    PoolWorkers._drop(pool)
    assert children() == before


def test_a_task_alone_in_its_process_can_be_ended_while_that_starts(tasks) -> None:
    workers, before = PoolWorkers(1), children()

    def joint() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        workers.alone(tasks[:1], joint)
    assert children() == before
    workers.close()


def test_leaving_in_the_middle_ends_the_processes(tasks) -> None:
    before = children()
    results = run_campaign(tasks * 10, jobs=2)
    assert next(results).task == tasks[0]
    assert len(children() - before) == 2
    results.close()
    assert not children() - before
