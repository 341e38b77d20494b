"""Campaigns on a real Dask cluster of separate processes.

Each cluster lives in a process of its own: Dask leaves threads behind for as long as its process
lasts.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from hil.scenarios.campaign_task import Task, items_of, run_task

pytest.importorskip("distributed", reason="the extra 'campaign' is not installed")

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
SCRIPT = """
import json, os, signal, sys
from distributed import LocalCluster
from hil.scenarios.campaign import run_campaign
from hil.scenarios.campaign_task import Task, items_of

def main():
    plan = sys.argv[1]
    tasks = [Task(plan, item, seed=str(seed)) for seed in range(6) for item in items_of(plan)]
    workers = dict(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None)
    found, killed = [], []
    with LocalCluster(**workers) as cluster:
        for result in run_campaign(tasks, scheduler=cluster.scheduler_address):
            found.append([result.task.item, result.task.seed, result.verdict.value,
                          [one.value for one in result.measured]])
            if len(found) == 2:
                killed.append(cluster.workers[0].pid)
                os.kill(killed[0], signal.SIGKILL)
        results, looks = [], []

        def ended():
            looks.append(len(results))
            if len(looks) == 2:
                raise KeyboardInterrupt

        try:
            results += run_campaign(
                tasks * 20, scheduler=cluster.scheduler_address, joint=ended
            )
            killed.append("went on")
        except KeyboardInterrupt:
            if looks != [0, 0]:
                killed.append("only looked between chunks")
    print(json.dumps({"found": found, "killed": killed, "parent": os.getpid()}))

if __name__ == "__main__":
    main()
"""
NOBODY = """
from hil.core.errors import HarnessError
from hil.scenarios import campaign_dask
campaign_dask.PATIENCE = 1.0
try:
    campaign_dask.DaskWorkers("tcp://127.0.0.1:9")
except HarnessError as error:
    print(error)
"""


def run(*command: str) -> str:
    done = subprocess.run(
        [sys.executable, *command], capture_output=True, text=True, check=False, timeout=180
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("dask")
    (folder / "brief.plan.yaml").write_text(PLAN)
    (folder / "campaign_on_dask.py").write_text(SCRIPT)
    (folder / "nobody.py").write_text(NOBODY)
    return folder


def test_a_worker_killed_in_mid_campaign_costs_no_result(folder) -> None:
    """Same results, same order as one after another in this process."""
    plan = str(folder / "brief.plan.yaml")
    told = json.loads(run(str(folder / "campaign_on_dask.py"), plan).splitlines()[-1])
    assert len(told["killed"]) == 1
    assert told["killed"][0] != told["parent"], "workers are processes of their own"
    expected = [
        run_task(Task(plan, item, seed=str(seed))) for seed in range(6) for item in items_of(plan)
    ]
    assert told["found"] == [
        [one.task.item, one.task.seed, one.verdict.value, [m.value for m in one.measured]]
        for one in expected
    ]


def test_a_scheduler_that_does_not_answer(folder) -> None:
    said = run(str(folder / "nobody.py"))
    assert "no Dask scheduler answers at tcp://127.0.0.1:9" in said
