"""A recorded link as a board: what was received comes again once the same has been sent again.

    port = ReplayPort(pieces, clock)                  # pieces: objects with t, to_board, data
    board = SerialBoard(port, SerialBoardConfig(url="recorded", description=description), clock)

`pieces` are those of `hil.store.rawlog.read_raw_log`. Bytes from the board are available as soon as
everything recorded before them has been sent; with `paced` they also keep their distance in time
from the last thing sent. So a captured trouble becomes a test that runs without the board.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Protocol

import serial

from hil.ports.clock import Clock


class Piece(Protocol):
    """Bytes that went one way at one time, s."""

    @property
    def t(self) -> float:
        """Host time, s."""

    @property
    def to_board(self) -> bool:
        """Which way."""

    @property
    def data(self) -> bytes:
        """What."""


class ReplayPort:
    """What a `SerialBoard` needs of a port, fed from a recording.

    Parameters
    ----------
    pieces : in the order in which they were recorded.
    paced : keep the recorded times, else everything comes as early as it can.

    Sending something else than was recorded is an error of the port that says both.
    """

    def __init__(self, pieces: Iterable[Piece], clock: Clock, *, paced: bool = False) -> None:
        self._pieces = deque(pieces)
        self._clock, self._paced = clock, paced
        self._ready = b""
        self._expected = b""  # recorded as sent and not sent yet
        self._origin: tuple[float, float] | None = None  # recorded and replayed time
        self._open = True

    @property
    def finished(self) -> bool:
        """Whether everything recorded has been replayed and read."""
        return not (self._pieces or self._ready or self._expected)

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read now."""
        self._check()
        self._advance()
        return len(self._ready)

    def read(self, size: int = 1) -> bytes:
        """At most `size` bytes; never waits."""
        self._check()
        self._advance()
        data, self._ready = self._ready[:size], self._ready[size:]
        return data

    def write(self, data: bytes) -> int:
        """Compare with what was recorded as sent."""
        self._check()
        self._advance()
        while len(self._expected) < len(data) and self._pieces and self._pieces[0].to_board:
            self._expect()
        if not self._expected.startswith(data):
            if not self._expected:
                said = "nothing was sent at this place"
            else:
                said = f"{self._expected[: len(data) + 8]!r} was sent at this place"
            raise serial.SerialException(f"the recording differs: {said}, now {data!r}")
        self._expected = self._expected[len(data) :]
        return len(data)

    def close(self) -> None:
        """Give the recording up."""
        self._open = False

    def _check(self) -> None:
        if not self._open:
            raise serial.PortNotOpenError

    def _expect(self) -> None:
        piece = self._pieces.popleft()
        self._expected += piece.data
        self._origin = (piece.t, self._clock.now())

    def _advance(self) -> None:
        """Release what the recording allows by now."""
        while self._pieces and not self._expected:
            piece = self._pieces[0]
            if piece.to_board:
                self._expect()
                return
            if self._origin is None:
                self._origin = (piece.t, self._clock.now())
            recorded, replayed = self._origin
            if self._paced and self._clock.now() - replayed < piece.t - recorded:
                return
            self._ready += self._pieces.popleft().data
