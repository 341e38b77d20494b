"""Processes that make pages beside this one, where there are so many that it pays."""

from __future__ import annotations

import gc
import importlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager

#: Figures from which on pages take longer to make than processes take to start.
WORTH = 300_000


def cores() -> int:
    """Processors that this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1


@contextmanager
def workers(figures: int, number: int | None = None) -> Iterator[Executor | None]:
    """Processes beside this one for the pages of so many figures; None if one alone is quicker.

    They start up meanwhile; this one makes pages, too.

    They begin afresh (spawn), which is the same on every system, and end with this process even if
    it is killed.

    Parameters
    ----------
    number : of processes beside this one; one a processor with this one if None.
    """
    count = cores() - 1 if number is None else number
    if count < 1 or figures < WORTH:
        yield None
        return
    pool = ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), initializer=_ready)
    try:
        # A process is started for each task that finds none idle.
        for _ in range(count):
            pool.submit(os.getpid)
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def _ready() -> None:
    """Have everything at hand that pages are made by."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asked decides what that means
    threading.Thread(target=_end_with_parent, daemon=True).start()
    gc.disable()  # pages refer to nothing in circles
    importlib.import_module("hil.report.site.items")  # brings the other pages along
    from hil.report.site.shell import templates

    for name in ("measure.html.j2", "item.html.j2"):
        templates().get_template(name)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
