"""SIGTERM ends a command as Ctrl-C does: what goes on is left safe, what was seen is told."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator


@contextlib.contextmanager
def terminated_as_interrupted() -> Iterator[None]:
    """Both raise `KeyboardInterrupt` in here; afterwards it is as before."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
