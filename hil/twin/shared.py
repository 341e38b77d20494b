"""Memory that the bench and the process of a firmware have in common.

One mapped file without a name, so that nothing is left behind whoever dies first::

    STATE record | CONSTANTS record | ... | port block

The block ends where the mapping ends: a firmware that writes far beyond a buffer it was given
meets a page that is not there.
"""

from __future__ import annotations

import mmap
import os
import tempfile
from typing import Any

import numpy as np
import numpy.typing as npt

from hil.twin.kernel_memory import CONSTANTS, STATE
from hil.twin.port import STATE_AT as BLOCK_SIZE  # a C library has its own variables

_CONSTANTS_AT = -(-STATE.itemsize // 64) * 64
_NEEDED = _CONSTANTS_AT + CONSTANTS.itemsize + BLOCK_SIZE
SIZE = -(-_NEEDED // mmap.PAGESIZE) * mmap.PAGESIZE


class SharedMemory:
    """Views of one mapping; `descriptor` is not owned.

    Attributes
    ----------
    state, constants : records, shape (1,). block : port block, bytes.
    """

    def __init__(self, descriptor: int) -> None:
        room = np.frombuffer(mmap.mmap(descriptor, SIZE), np.uint8)
        self.state: npt.NDArray[Any] = room[: STATE.itemsize].view(STATE)
        end = _CONSTANTS_AT + CONSTANTS.itemsize
        self.constants: npt.NDArray[Any] = room[_CONSTANTS_AT:end].view(CONSTANTS)
        self.block: npt.NDArray[np.uint8] = room[SIZE - BLOCK_SIZE :]


def nameless_file(size: int = 0) -> int:
    """Descriptor of a new file, of zeros, that nobody else can find."""
    if hasattr(os, "memfd_create"):
        descriptor = os.memfd_create("firmware")
    else:
        with tempfile.TemporaryFile() as file:
            descriptor = os.dup(file.fileno())
    os.ftruncate(descriptor, size)
    return descriptor
