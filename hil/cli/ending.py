"""SIGTERM ends a command as Ctrl-C does: what goes on is left safe, what was seen is told."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType


@contextlib.contextmanager
def terminated_as_interrupted() -> Iterator[None]:
    """Both raise `KeyboardInterrupt` in here, wherever they come; afterwards it is as before."""
    with _handled_by(_interrupt):
        yield


@contextlib.contextmanager
def ended_at_joints() -> Iterator[Callable[[], None]]:
    """Both raise `KeyboardInterrupt` in here, but where what is yielded is called, and only there.

    What a signal handler raises may come between any two steps, also those of a lock that other
    threads share, and of adding one result to three tables: who waits for workers looks now and
    then instead. A signal after the last look finds nothing left to end. Whoever sends a second one
    has waited for a look in vain: it ends what goes on wherever it comes.
    """
    joint = _Joint()
    with _handled_by(joint.note):
        yield joint


def _interrupt(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


class _Joint:
    def __init__(self) -> None:
        self._asked = self._raised = False

    def note(self, _number: int, _frame: FrameType | None) -> None:
        if self._asked:
            raise KeyboardInterrupt
        self._asked = True

    def __call__(self) -> None:
        if self._asked and not self._raised:
            self._raised = True
            raise KeyboardInterrupt


@contextlib.contextmanager
def _handled_by(handler: Callable[[int, FrameType | None], None]) -> Iterator[None]:
    """Ctrl-C stays ignored where it was, as in a job that runs in the background.

    Only the main thread may change handlers, and Python runs them there, whichever thread the
    system told.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [signal.SIGTERM]
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        numbers.append(signal.SIGINT)
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield
    finally:
        for number, former in before.items():
            signal.signal(number, former)
