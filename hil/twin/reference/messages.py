"""Building a message to the host and queueing it; checksum; what both protocols share.

A message is built in `frame`, then copied whole into the ring `waiting`, from where the line takes
it. If the ring has no room the message is dropped: the control loop never waits for the line.
Telemetry leaves some room for answers and is numbered before it may be dropped, so that the host
sees the gap.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import inlined
from hil.twin.reference.state import FRAME_SIZE, TX_SIZE

_RESERVE = 128  # bytes of the ring that telemetry leaves for answers


def _crc_table() -> np.ndarray[Any, np.dtype[np.int64]]:
    """CRC-16/IBM-3740 (polynomial 0x1021, most significant bit first) of each byte."""
    table = np.zeros(256, np.int64)
    for byte in range(256):
        remainder = byte << 8
        for _ in range(8):
            remainder = (remainder << 1) ^ (0x1021 if remainder & 0x8000 else 0)
        table[byte] = remainder & 0xFFFF
    return table


_CRC = _crc_table()


@inlined
def crc16(data: Any, count: int) -> int:
    """CRC-16/IBM-3740 of the first `count` bytes: initial value 0xFFFF, nothing reflected."""
    value: int = 0xFFFF
    for index in range(count):
        value = ((value << 8) & 0xFFFF) ^ _CRC[(value >> 8) ^ data[index]]
    return value


@inlined
def put(s: Any, byte: int) -> None:
    """Append one byte to the message being built."""
    if s.frame_count < FRAME_SIZE:
        s.frame[s.frame_count] = byte
        s.frame_count += 1


@inlined
def put_little(s: Any, value: int, size: int) -> None:
    """Append the low `size` bytes of an integer, lowest first; two's complement if negative."""
    for index in range(size):
        put(s, (value >> (8 * index)) & 0xFF)


@inlined
def put_text(s: Any, text: Any) -> None:
    """Append characters up to the first zero byte."""
    for index in range(text.size):
        if text[index] == 0:
            return
        put(s, text[index])


@inlined
def room(s: Any) -> int:
    """Free bytes in the ring."""
    waiting: int = s.waiting_end - s.waiting_first
    return TX_SIZE - waiting


@inlined
def queue(s: Any, telemetry: bool) -> None:
    """Hand the built message to the line, or drop it."""
    needed = s.frame_count + (_RESERVE if telemetry else 0)
    if needed > room(s):
        s.lost_messages += 1
    else:
        for index in range(s.frame_count):
            s.waiting[(s.waiting_end + index) & (TX_SIZE - 1)] = s.frame[index]
        s.waiting_end += s.frame_count
    s.frame_count = 0


@inlined
def take(s: Any, data: Any, capacity: int) -> int:
    """Move up to `capacity` bytes from the ring to the line; returns their number."""
    count: int = min(capacity, s.waiting_end - s.waiting_first)
    for index in range(count):
        data[index] = s.waiting[(s.waiting_first + index) & (TX_SIZE - 1)]
    s.waiting_first += count
    return count


@inlined
def whole(value: float) -> int:
    """Round half up."""
    return int(np.floor(value + 0.5))


@inlined
def within(value: int, low: int, high: int) -> int:
    """Saturate, so that a field never wraps."""
    return min(max(value, low), high)


@inlined
def spoilt(s: Any) -> bool:
    """Whether the present telemetry frame shall carry a wrong checksum (a seam)."""
    return bool(s.corrupt_every > 0 and s.frames % s.corrupt_every == 0)
