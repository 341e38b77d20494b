"""A termination request is an orderly stop, as Ctrl-C is, so that the supply is switched off."""

from __future__ import annotations

import signal
import threading
from types import FrameType
from typing import Any

#: By default these end the process without running a single finalizer.
TERMINATIONS = ("SIGTERM", "SIGHUP")


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
