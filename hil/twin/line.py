"""The two ends of the simulated serial line: queues of bytes outside the compiled kernel."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from hil.twin.kernel_memory import LINE_BUFFER


def ring_parts(start: int, end: int, size: int) -> tuple[slice, ...]:
    """Where items `start` to `end` (at most `size` of them) lie in a ring buffer, in order."""
    if end <= start:
        return ()
    first, last = start % size, (end - 1) % size + 1
    return (slice(first, last),) if first < last else (slice(first, size), slice(0, last))


class SerialLine:
    """Bytes between the host and a board; the kernel moves them at the baud rate.

    Parameters
    ----------
    memory : the drive's `STATE` record, shape (1,). baud : bits per second, ten to a byte.
    """

    def __init__(self, memory: npt.NDArray[Any], baud: int) -> None:
        self._state: Any = memory[0]
        self._sent, self._sent_head = self._state["tx"], memory["tx_head"]
        self._free = memory["tx_free"]
        self._byte_time = 10.0 / baud
        self._to_board = bytearray()
        self._from_board = bytearray()
        self._read = 0

    @property
    def patience(self) -> float:
        """Time in s after which `exchange` must be called, or bytes from the board are lost."""
        return LINE_BUFFER / 2 * self._byte_time

    def feed(self, data: bytes, now: float) -> None:
        """Queue bytes for the board, `now` being the motor time in s."""
        self._to_board += data
        self._refill(now)

    def exchange(self, now: float) -> None:
        """Fetch what the board has sent, and let the line take more of what is queued for it."""
        head = int(self._sent_head.item())
        if head > self._read:
            self._read = max(self._read, head - LINE_BUFFER)  # a firmware may write anywhere
            for part in ring_parts(self._read, head, LINE_BUFFER):
                self._from_board += self._sent[part].tobytes()
            self._read = head
        if self._to_board:
            self._refill(now)

    def drain(self, now: float) -> bytes:
        """Bytes from the board whose last bit has left the line by `now`, since the last call."""
        self.exchange(now)
        if not self._from_board:
            return b""
        left = math.ceil((self._free.item() - now) / self._byte_time - 1e-6)
        end = len(self._from_board) - max(0, left)
        if end <= 0:
            return b""
        data = bytes(self._from_board[:end])
        del self._from_board[:end]
        return data

    def _refill(self, now: float) -> None:
        s = self._state
        head, tail = int(s["rx_head"]), int(s["rx_tail"])
        if head == tail:
            s["rx_next"] = max(s["rx_next"], now + self._byte_time)
        count = min(len(self._to_board), LINE_BUFFER - (head - tail))
        if count:
            places = np.arange(head, head + count) % LINE_BUFFER
            s["rx"][places] = np.frombuffer(bytes(self._to_board[:count]), np.uint8)
            s["rx_head"] = head + count
            del self._to_board[:count]
