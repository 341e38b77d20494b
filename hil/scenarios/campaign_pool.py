"""Workers of a campaign as processes of this machine."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from collections.abc import Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

from hil.core.errors import HarnessError
from hil.scenarios.campaign_joint import PERIOD, Joint
from hil.scenarios.campaign_task import Task, TaskResult, run_chunk, warm_up

_T = TypeVar("_T")

#: s that a process may take to end when it is asked to.
_LEAVING = 10.0


def _begin() -> None:
    """Set up a worker. Ctrl-C reaches the whole group; only the parent acts on it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warm_up()


def _result(handle: Future[_T], joint: Joint) -> _T:
    while not wait([handle], timeout=PERIOD).done:
        joint()
    joint()
    return handle.result()


class PoolWorkers:
    """A process pool that is built again when one of its processes dies.

    Processes are spawned, not forked: compiled code and threads of this process stay here.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool = self._new(count)

    @staticmethod
    def _new(count: int) -> ProcessPoolExecutor:
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(count, mp_context=context, initializer=_begin)

    def submit(self, chunk: Sequence[Task]) -> Future[list[TaskResult]]:
        """Begin a chunk."""
        try:
            return self._pool.submit(run_chunk, chunk)
        except BrokenProcessPool:
            self._drop(self._pool)
            self._pool = self._new(self.count)
            return self._pool.submit(run_chunk, chunk)

    def collect(self, handle: Future[list[TaskResult]], joint: Joint) -> list[TaskResult] | None:
        """Wait for a chunk; None if the pool broke: one process that dies takes all work along."""
        try:
            return _result(handle, joint)
        except BrokenProcessPool:
            return None

    def alone(self, chunk: Sequence[Task], joint: Joint) -> list[TaskResult] | None:
        """Run tasks in a process of their own; None if that process died.

        Raises
        ------
        HarnessError
            If it does not even start: then none of the tasks is to blame.
        """
        pool = self._new(1)
        try:
            try:
                _result(pool.submit(os.getpid), joint)
            except BrokenProcessPool as error:
                raise HarnessError(
                    "the worker processes of the campaign die while they start; "
                    "what they said stands above"
                ) from error
            try:
                return _result(pool.submit(run_chunk, chunk), joint)
            except BrokenProcessPool:
                return None
        finally:
            self._drop(pool)

    def close(self) -> None:
        """End all processes."""
        self._drop(self._pool)

    @staticmethod
    def _drop(pool: ProcessPoolExecutor) -> None:
        # Without this, leaving in the middle would wait for items that nobody wants any more.
        processes = list((pool._processes or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            with contextlib.suppress(OSError, ValueError):
                process.terminate()
        for process in processes:
            with contextlib.suppress(OSError, ValueError, AssertionError):
                process.join(_LEAVING)
                if process.is_alive():
                    process.kill()
                    process.join()
