"""Workers of a campaign on a Dask cluster that is already there."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Sequence
from typing import Any

import distributed

from hil.core.errors import HarnessError
from hil.scenarios.campaign_joint import PERIOD, Joint
from hil.scenarios.campaign_task import Task, TaskResult, run_chunk

#: s to wait for the scheduler, and for the first worker to register.
PATIENCE = 10.0
#: Dask's functions carry no types of their own.
_dask: Any = distributed


class DaskWorkers:
    """See the module text. The scheduler gives the work of a lost worker to another by itself.

    Parameters
    ----------
    scheduler : address, as ``tcp://host:8786``.

    Raises
    ------
    HarnessError
        If nobody answers there, or no worker is registered.
    """

    def __init__(self, scheduler: str) -> None:
        try:
            self._client = _dask.Client(scheduler, timeout=PATIENCE, set_as_default=False)
        except (OSError, ValueError) as error:
            raise HarnessError(f"no Dask scheduler answers at {scheduler}: {error}") from error
        try:
            self._client.wait_for_workers(1, timeout=PATIENCE)
        except TimeoutError as error:
            self.close()
            raise HarnessError(f"the Dask cluster at {scheduler} has no workers") from error

    @property
    def count(self) -> int:
        """Workers that are registered now."""
        return max(1, len(self._client.scheduler_info(n_workers=-1)["workers"]))

    def submit(self, chunk: Sequence[Task]) -> Any:
        """Begin a chunk. Not pure: the same work asked for again is to be done again."""
        return self._client.submit(run_chunk, list(chunk), pure=False)

    def collect(self, handle: Any, joint: Joint) -> list[TaskResult] | None:
        """Wait for a chunk; None if too many workers died of it."""
        try:
            done = threading.Event()
            handle.add_done_callback(lambda _: done.set())
            while not done.wait(PERIOD):
                joint()
            joint()
            results: list[TaskResult] = handle.result()
        except _dask.KilledWorker:
            return None
        finally:
            handle.release()
        return results

    def alone(self, chunk: Sequence[Task], joint: Joint) -> list[TaskResult] | None:
        """Run tasks by themselves: on a cluster a chunk never shares its fate with another."""
        return self.collect(self.submit(chunk), joint)

    def close(self) -> None:
        """Take back what has not been begun, and leave the cluster as it is."""
        with contextlib.suppress(Exception):
            self._client.close()
