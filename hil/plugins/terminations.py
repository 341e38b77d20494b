"""A termination request is an orderly stop, as Ctrl-C is, so that the supply is switched off.

What ends a session in its midst is nobody's fault: neither the firmware's nor the bench's.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType
from typing import Any

import pytest

#: By default these end the process without running a single finalizer.
TERMINATIONS = ("SIGTERM", "SIGHUP")


#: What ends a session, and the item that runs with it.
INTERRUPTS = (KeyboardInterrupt, pytest.exit.Exception)


def interruption(error: BaseException) -> str:
    """Why the session was ended in the midst of an item, in one line."""
    return f"interrupted: {' '.join(str(error).split()) or 'Ctrl-C'}"


class Terminations:
    """Catches them from now to the end of the session."""

    def __init__(self) -> None:
        self._former: dict[int, Any] = {}
        if threading.current_thread() is not threading.main_thread():
            return
        for name in TERMINATIONS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                self._former[number] = signal.signal(number, self._terminated)

    def _terminated(self, number: int, _frame: FrameType | None) -> None:
        for caught in self._former:  # a second request must not cut the first one's tidying short
            signal.signal(caught, signal.SIG_IGN)
        raise KeyboardInterrupt(f"signal {signal.Signals(number).name}")

    def pytest_unconfigure(self) -> None:
        """Give the signals back."""
        for number, former in self._former.items():
            signal.signal(number, former)
        self._former.clear()
