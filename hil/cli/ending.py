"""SIGTERM ends a command as Ctrl-C does: what goes on is left safe, what was seen is told."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType


class Ending:
    """Raises `KeyboardInterrupt` when a signal comes, but never in the middle of what is undivided.

    Threads do not matter: Python runs this in the main one, whichever the system told.
    """

    def __init__(self) -> None:
        self._busy = self._asked = False

    def __call__(self, _number: int, _frame: FrameType | None) -> None:
        """A signal has come."""
        if not self._busy:
            raise KeyboardInterrupt
        self._asked = True

    @contextlib.contextmanager
    def undivided(self) -> Iterator[None]:
        """What is begun in here is done before a signal ends the command."""
        self._busy = True
        try:
            yield
        finally:
            self._busy = False
        if self._asked:
            self._asked = False
            raise KeyboardInterrupt


@contextlib.contextmanager
def terminated_as_interrupted() -> Iterator[Ending]:
    """Both raise `KeyboardInterrupt` in here; afterwards it is as before.

    Ctrl-C stays ignored where it was, as in a job that runs in the background.
    """
    ending = Ending()
    if threading.current_thread() is not threading.main_thread():
        yield ending
        return
    numbers = [signal.SIGTERM]
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        numbers.append(signal.SIGINT)
    before = {number: signal.signal(number, ending) for number in numbers}
    try:
        yield ending
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
