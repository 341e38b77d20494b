"""Campaigns: many tasks on many simulated rigs, over all cores or over a Dask cluster.

A campaign has the same results for the same tasks, however many workers there are and wherever
they run, and yields them in the order of the tasks. A worker that dies costs no result: what it
was at is run again. A task that takes its worker down every time becomes a *bench-fault* that
names it, and the rest goes on.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Protocol

from hil.core.errors import HarnessError
from hil.scenarios.campaign_joint import Joint, no_joint
from hil.scenarios.campaign_task import Task, TaskResult, lost

#: Called after each task in order: how many are done, of how many, and what came of the last.
Progress = Callable[[int, int, TaskResult], object]

#: Chunks in work or waiting, per worker: enough to keep all busy, few enough to stay small.
WINDOW = 3
#: How often a task may take its worker down before it is given up.
ATTEMPTS = 2
#: Tasks sent to a worker at once, at most: one takes a fraction of a second, sending one does not.
LARGEST_CHUNK = 8


class Workers(Protocol):
    """Processes that run chunks of tasks."""

    @property
    def count(self) -> int:
        """How many run at the same time."""

    def submit(self, chunk: Sequence[Task]) -> Any:
        """Begin a chunk; returns a handle for `collect`."""

    def collect(self, handle: Any, joint: Joint) -> list[TaskResult] | None:
        """Wait for a chunk; None if the workers that had it have died."""

    def alone(self, chunk: Sequence[Task], joint: Joint) -> list[TaskResult] | None:
        """Run tasks in a process that does nothing else; None if the process died of it."""

    def close(self) -> None:
        """Let go of the processes, whatever they are at."""


def run_campaign(
    tasks: Sequence[Task],
    *,
    jobs: int | None = None,
    scheduler: str = "",
    progress: Progress | None = None,
    joint: Joint = no_joint,
) -> Iterator[TaskResult]:
    """Run every task and yield the results in the order of the tasks.

    Parameters
    ----------
    jobs : processes on this machine; None for one per core. 1 still is a process of its own, so
        that a firmware that crashes takes no more than that with it.
    scheduler : address of a running Dask cluster (``tcp://host:8786``), instead of `jobs`. Its
        workers need this package, and the files under the same paths.
    progress : called in this process after each result.
    joint : where the campaign may be ended, see `Joint`.

    Raises
    ------
    PlanError
        If a file is wrong; from the worker that first read it.
    HarnessError
        If `scheduler` is given and Dask is not installed, or the cluster does not answer.
    """
    if jobs is not None and jobs < 1:
        raise ValueError(f"a campaign needs at least one job, found {jobs}")
    workers = _workers(jobs, scheduler)
    try:
        for done, result in enumerate(_in_order(list(tasks), workers, joint), start=1):
            if progress is not None:
                progress(done, len(tasks), result)
            yield result
    finally:
        workers.close()


def _workers(jobs: int | None, scheduler: str) -> Workers:
    if scheduler:
        try:
            from hil.scenarios.campaign_dask import DaskWorkers
        except ImportError as error:
            raise HarnessError(
                f"a scheduler is named ({scheduler}) but Dask is not installed: "
                f"pip install 'hil[campaign]'"
            ) from error
        return DaskWorkers(scheduler)
    from hil.scenarios.campaign_pool import PoolWorkers

    return PoolWorkers(jobs or cores())


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _chunks(tasks: Sequence[Task], workers: int) -> Iterator[Sequence[Task]]:
    """Parts small enough that all workers finish at about the same time."""
    size = max(1, min(LARGEST_CHUNK, len(tasks) // (8 * workers)))
    for start in range(0, len(tasks), size):
        yield tasks[start : start + size]


def _in_order(tasks: Sequence[Task], workers: Workers, joint: Joint) -> Iterator[TaskResult]:
    waiting = _chunks(tasks, workers.count)
    running: deque[tuple[Sequence[Task], Any]] = deque()
    while True:
        while len(running) < WINDOW * workers.count:
            chunk = next(waiting, None)
            if chunk is None:
                break
            running.append((chunk, workers.submit(chunk)))
        if not running:
            return
        chunk, handle = running.popleft()
        results = workers.collect(handle, joint)
        if results is not None:
            yield from results
            continue
        yield from _insist(chunk, workers, joint)


def _insist(chunk: Sequence[Task], workers: Workers, joint: Joint) -> Iterator[TaskResult]:
    """Run tasks apart from all others, until they end or one has taken down its worker too often.

    The whole chunk has one chance, since most chunks that are lost are lost to a neighbour.
    """
    results = workers.alone(chunk, joint) if len(chunk) > 1 else None
    if results is not None:
        yield from results
        return
    for task in chunk:
        for _ in range(ATTEMPTS):
            results = workers.alone([task], joint)
            if results is not None:
                yield from results
                break
        else:
            yield lost(
                task,
                f"the worker process died {ATTEMPTS} times while nothing but this item ran in it "
                f"({task.item}; {task.variation})",
            )


__all__ = ["Joint", "Progress", "Task", "TaskResult", "Workers", "cores", "run_campaign"]
