"""Processes that end with the one that started them, also when that one is killed."""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from collections.abc import Callable

_PARENT_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of Linux


def ended_with_parent() -> Callable[[], None] | None:
    """What a new process has to call before its program begins, as `preexec_fn` of `subprocess`.

    It then gets SIGTERM when the thread that started it ends, however that comes: a run leaves its
    bench safe and closes its record. None on systems other than Linux, which have nothing like it.
    """
    if sys.platform != "linux":
        return None
    parent = os.getpid()
    # Found here: between fork and exec as little as possible is done.
    control = ctypes.CDLL(None).prctl

    def ask() -> None:
        control(_PARENT_DEATH_SIGNAL, signal.SIGTERM)
        if os.getppid() != parent:  # it was gone before this was asked
            os.kill(os.getpid(), signal.SIGTERM)

    return ask
