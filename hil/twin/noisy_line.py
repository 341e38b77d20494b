"""A serial line that does harm to what the board says: delays, byte errors, edited telemetry."""

from __future__ import annotations

import binascii
import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from cobs import cobs


@dataclass(frozen=True, slots=True)
class Protocol:
    """How telemetry of the reference firmware is found and edited in a stream of bytes.

    Parameters
    ----------
    end : what ends a frame.
    is_telemetry : of a whole frame, its end included.
    with_time : a telemetry frame with its time, us, changed by a function.
    """

    end: bytes
    is_telemetry: Callable[[bytes], bool]
    with_time: Callable[[bytes, Callable[[int], int]], bytes]


def _line_with_time(frame: bytes, change: Callable[[int], int]) -> bytes:
    fields = frame.rpartition(b"*")[0].split(b",")
    fields[2] = b"%d" % change(int(fields[2]))
    text = b",".join(fields)
    return b"%s*%04X\n" % (text, binascii.crc_hqx(text, 0xFFFF))


def _packet_with_time(frame: bytes, change: Callable[[int], int]) -> bytes:
    body = bytearray(cobs.decode(frame[:-1])[:-2])
    body[2:6] = change(int.from_bytes(body[2:6], "little")).to_bytes(4, "little")
    checked = bytes(body) + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little")
    return bytes(cobs.encode(checked)) + b"\0"


PROTOCOLS: Mapping[str, Protocol] = {
    "lines": Protocol(b"\n", lambda frame: frame.startswith(b"t,"), _line_with_time),
    "cobs": Protocol(b"\0", lambda frame: frame[1:2] == b"\x90", _packet_with_time),
}


class NoisyLine:
    """From the board to the host; nothing happens until an attribute is set.

    Parameters
    ----------
    protocol : of the reference firmware, or None: then telemetry cannot be edited.

    Attributes
    ----------
    latency, jitter : s. dropped, corrupted, duplicated : shares of the bytes, 0 to 1.
    held : True and nothing comes out until it is False again; then everything does.
    frozen : True and every telemetry frame is the last one from before.
    drift : by which share the board's time runs fast.
    """

    def __init__(self, protocol: Protocol | None, seed: int) -> None:
        self.latency = self.jitter = 0.0
        self.dropped = self.corrupted = self.duplicated = 0.0
        self.held = self.frozen = False
        self._protocol = protocol
        self._rng = np.random.default_rng([seed, 7])
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._rest = b""  # of a frame that has not ended
        self._last = b""  # telemetry frame
        self._drift = 0.0
        self._ahead = 0.0  # us by which the board's time is ahead
        self._previous: int | None = None  # us, the last true time

    @property
    def drift(self) -> float:
        """See the class."""
        return self._drift

    @drift.setter
    def drift(self, share: float) -> None:
        self._drift = share

    def due(self) -> float:
        """When bytes that wait come out, s; infinity for never."""
        return self._waiting[0][0] if self._waiting and not self.held else math.inf

    def pass_on(self, data: bytes, now: float) -> bytes:
        """Take what the board said until `now`, s; what comes out by then."""
        if data and self._protocol is not None:
            data = self._edited(data, self._protocol)
        if data and (self.dropped or self.corrupted or self.duplicated):
            data = self._harmed(data)
        if data:
            due = now + self.latency + self.jitter * float(self._rng.uniform())
            if self._waiting:  # a line keeps the order
                due = max(due, self._waiting[-1][0])
            self._waiting.append((due, data))
        out = bytearray()
        while self._waiting and not self.held and self._waiting[0][0] <= now:
            out += self._waiting.popleft()[1]
        return bytes(out)

    def _harmed(self, data: bytes) -> bytes:
        draw = self._rng.uniform(size=(3, len(data)))
        values = np.frombuffer(data, np.uint8).copy()
        hit = draw[0] < self.corrupted
        values[hit] ^= np.left_shift(1, self._rng.integers(0, 8, int(hit.sum()))).astype(np.uint8)
        times = np.where(draw[1] < self.duplicated, 2, 1) * (draw[2] >= self.dropped)
        return np.repeat(values, times).tobytes()

    def _edited(self, data: bytes, protocol: Protocol) -> bytes:
        *frames, self._rest = (self._rest + data).split(protocol.end)
        out = bytearray()
        for piece in frames:
            frame = piece + protocol.end
            if protocol.is_telemetry(frame):
                if self.frozen and self._last:
                    frame = self._last
                elif self._drift or self._ahead:
                    frame = self._last = protocol.with_time(frame, self._later)
                else:
                    self._last = frame
            out += frame
        return bytes(out)

    def _later(self, true: int) -> int:
        if self._previous is not None:
            self._ahead += self._drift * ((true - self._previous) % 2**32)
        self._previous = true
        return (true + round(self._ahead)) % 2**32
