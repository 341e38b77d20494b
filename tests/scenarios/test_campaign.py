"""The order of results, progress, and what happens to work whose worker died: without processes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import HarnessError, PlanError
from hil.core.verdict import Verdict
from hil.scenarios import campaign
from hil.scenarios.campaign import ATTEMPTS, LARGEST_CHUNK, WINDOW, cores, run_campaign
from hil.scenarios.campaign_joint import Joint, no_joint
from hil.scenarios.campaign_task import Task, TaskResult
from hil.twin.variation import Variation


def task(name: object) -> Task:
    return Task("p.plan.yaml", f"item {name}", variation=Variation(f"rig {name}"))


def passed(one: Task) -> TaskResult:
    return TaskResult(one, Verdict.PASS, "held")


class FakeWorkers:
    """Runs chunks when they are collected; items named in `deadly` take their worker down."""

    def __init__(self, count: int = 2, deadly: dict[str, int] | None = None) -> None:
        self.count = count
        self.deadly = dict(deadly or {})  # item -> how often it kills
        self.running = self.most = 0
        self.sizes: list[int] = []
        self.alone_with: list[list[str]] = []
        self.closed = False

    def _run(self, chunk: Sequence[Task]) -> list[TaskResult] | None:
        for one in chunk:
            if self.deadly.get(one.item, 0):
                self.deadly[one.item] -= 1
                return None
        return [passed(one) for one in chunk]

    def submit(self, chunk: Sequence[Task]) -> Any:
        self.running += 1
        self.most = max(self.most, self.running)
        self.sizes.append(len(chunk))
        return chunk

    def collect(self, handle: Any, joint: Joint) -> list[TaskResult] | None:
        joint()
        self.running -= 1
        return self._run(handle)

    def alone(self, chunk: Sequence[Task], joint: Joint) -> list[TaskResult] | None:
        joint()
        self.alone_with.append([one.item for one in chunk])
        return self._run(chunk)

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def workers(monkeypatch):
    """Make the campaign use given workers instead of processes."""

    def use(fake: FakeWorkers) -> FakeWorkers:
        monkeypatch.setattr(campaign, "_workers", lambda _jobs, _scheduler: fake)
        return fake

    return use


@given(count=st.integers(0, 200), jobs=st.integers(1, 9))
def test_every_task_once_and_in_order(count, jobs) -> None:
    tasks = [task(n) for n in range(count)]
    fake = FakeWorkers(jobs)
    assert [r.task for r in campaign._in_order(tasks, fake, no_joint)] == tasks
    assert fake.most <= WINDOW * jobs, "memory stays bounded"
    assert all(1 <= size <= LARGEST_CHUNK for size in fake.sizes)


def test_few_tasks_are_spread_over_all_workers(workers) -> None:
    fake = workers(FakeWorkers(4))
    list(run_campaign([task(n) for n in range(8)]))
    assert fake.sizes == [1] * 8


def test_many_tasks_travel_together(workers) -> None:
    fake = workers(FakeWorkers(2))
    list(run_campaign([task(n) for n in range(1000)]))
    assert len(fake.sizes) == 1000 / LARGEST_CHUNK


def test_no_tasks(workers) -> None:
    fake = workers(FakeWorkers())
    assert list(run_campaign([])) == []
    assert fake.closed


def test_a_worker_that_dies_once_costs_nothing(workers) -> None:
    tasks = [task(n) for n in range(50)]
    workers(FakeWorkers(2, deadly={"item 17": 1, "item 30": 1}))
    assert list(run_campaign(tasks)) == [passed(one) for one in tasks]


def test_a_task_that_kills_every_time_is_named_and_the_rest_goes_on(workers) -> None:
    tasks = [task(n) for n in range(50)]
    fake = workers(FakeWorkers(1, deadly={"item 17": 99}))
    found = list(run_campaign(tasks))
    assert [r.task for r in found] == tasks
    assert [r.task.item for r in found if r.verdict is not Verdict.PASS] == ["item 17"]
    assert found[17].verdict is Verdict.BENCH_FAULT, "not the firmware's fault as far as we know"
    for word in ("died", "item 17", "rig 17", str(ATTEMPTS)):
        assert word in found[17].reason
    assert fake.alone_with.count(["item 17"]) == ATTEMPTS
    assert fake.deadly["item 17"] == 99 - 2 - ATTEMPTS, "its chunk twice, then alone"


def test_a_chunk_that_died_with_a_neighbour_is_run_as_a_whole(workers) -> None:
    tasks = [task(n) for n in range(200)]
    fake = workers(FakeWorkers(1, deadly={"item 17": 1}))
    list(run_campaign(tasks))
    assert len(fake.alone_with) == 1
    assert len(fake.alone_with[0]) == LARGEST_CHUNK


def test_progress_follows_the_results(workers) -> None:
    workers(FakeWorkers(3))
    told: list[tuple[int, int, str]] = []
    tasks = [task(n) for n in range(10)]
    results = run_campaign(
        tasks, progress=lambda done, of, result: told.append((done, of, result.task.item))
    )
    first = next(results)
    assert first.task == tasks[0]
    assert told == [(1, 10, "item 0")], "progress is told with each result, not ahead of it"
    list(results)
    assert told == [(n + 1, 10, f"item {n}") for n in range(10)]


def test_leaving_in_the_middle_lets_go_of_the_workers(workers) -> None:
    fake = workers(FakeWorkers(2))
    results = run_campaign([task(n) for n in range(100)])
    next(results)
    assert not fake.closed
    results.close()
    assert fake.closed


def test_what_a_joint_raises_ends_it(workers) -> None:
    fake = workers(FakeWorkers(2))
    seen = []

    def joint() -> None:
        if len(seen) > 20:
            raise KeyboardInterrupt

    results = run_campaign([task(n) for n in range(100)], joint=joint)
    with pytest.raises(KeyboardInterrupt):
        seen.extend(results)
    assert 20 < len(seen) <= 20 + LARGEST_CHUNK
    assert fake.closed


def test_an_error_of_the_files_ends_the_campaign(workers) -> None:
    class Wrong(FakeWorkers):
        def collect(self, handle: Any, joint: Joint) -> list[TaskResult] | None:
            del handle, joint
            raise PlanError("is no plan", file="p.plan.yaml")

    fake = workers(Wrong())
    with pytest.raises(PlanError, match="is no plan"):
        list(run_campaign([task(1)]))
    assert fake.closed


def test_jobs_are_at_least_one() -> None:
    with pytest.raises(ValueError, match="at least one job, found 0"):
        next(run_campaign([task(1)], jobs=0))


def test_a_scheduler_without_dask(monkeypatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "hil.scenarios.campaign_dask", None)
    with pytest.raises(HarnessError, match=r"tcp://x:1.*pip install 'hil\[campaign\]'"):
        next(run_campaign([task(1)], scheduler="tcp://x:1"))


def test_dask_is_not_loaded_unless_asked_for() -> None:
    import subprocess
    import sys

    code = (
        "import sys, hil.scenarios.campaign, hil.scenarios.campaign_pool\n"
        "print(sorted(m for m in sys.modules if m.split('.')[0] in ('dask', 'distributed')))"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert found.stdout.strip() == "[]"


def test_cores_of_this_process() -> None:
    import os

    assert 1 <= cores() <= (os.cpu_count() or 1)


def test_results_compare_without_the_time_they_took() -> None:
    one = task(1)
    fast = TaskResult(one, Verdict.PASS, "held", wall_seconds=0.1)
    slow = TaskResult(one, Verdict.PASS, "held", wall_seconds=9.0)
    assert fast == slow
    assert fast != TaskResult(one, Verdict.FAIL, "held", wall_seconds=0.1)
