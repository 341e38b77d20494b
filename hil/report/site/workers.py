"""Processes that work on a site beside this one, where there is so much that it pays."""

from __future__ import annotations

import atexit
import gc
import importlib
import itertools
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from typing import TypeVar

from hil.verdicts.changes_many import Share

P = TypeVar("P")
R = TypeVar("R")

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


def each(pool: Executor | None, function: Callable[[P], R], parts: Iterable[P]) -> list[R]:
    """What `function` makes of each of the parts, in their order, whoever makes it.

    The processes of `pool` begin with the first parts while others still come. What they have not
    begun when the last has come is made here, from the other end; so is what one that was killed
    had in hand. None of it goes on when this has ended.
    """
    if pool is None:
        return [function(part) for part in parts]
    asked: list[tuple[P, Future[R]]] = []
    try:
        for part in parts:
            asked.append((part, _submitted(pool, function, part)))
        here = {n: function(part) for n, (part, one) in _reversed(asked) if one.cancel()}
        return [
            here[n] if n in here else _result(one, function, part)
            for n, (part, one) in enumerate(asked)
        ]
    finally:
        wait([one for _, one in asked if not one.cancel()])


def sharing(pool: Executor | None) -> Share:
    """Has the processes of `pool` look at series, too."""

    def share(function: Callable[[list[P]], list[R]], things: Iterable[P]) -> list[R]:
        if pool is None:
            return function(list(things))
        return list(itertools.chain.from_iterable(each(pool, function, _together(things))))

    return share


#: So many series go to another process at once.
_TOGETHER = 256


def _together(things: Iterable[P]) -> Iterator[list[P]]:
    rest = iter(things)
    while some := list(itertools.islice(rest, _TOGETHER)):
        yield some


def _reversed(asked: list[tuple[P, Future[R]]]) -> Iterator[tuple[int, tuple[P, Future[R]]]]:
    return ((n, asked[n]) for n in reversed(range(len(asked))))


def _submitted(pool: Executor, function: Callable[[P], R], part: P) -> Future[R]:
    try:
        return pool.submit(function, part)
    except BrokenExecutor:
        return Future()  # nobody will begin it


def _result(one: Future[R], function: Callable[[P], R], part: P) -> R:
    try:
        return one.result()
    except BrokenExecutor:
        return function(part)


def _ready() -> None:
    """Have everything at hand that series are judged and pages made by."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that asked decides what that means
    threading.Thread(target=_end_with_parent, daemon=True).start()
    atexit.register(os._exit, 0)  # what it made is written: nothing is left to be put in order
    gc.disable()  # pages refer to nothing in circles
    importlib.import_module("hil.report.history")
    importlib.import_module("hil.report.site.items")  # brings the other pages along
    from hil.report.site.shell import templates

    for name in ("measure.html.j2", "item.html.j2"):
        templates().get_template(name)


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
