"""What a link to a motor-control board must do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol, runtime_checkable

from hil.core.record import Identity
from hil.core.trace import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class BoardReadings:
    """Telemetry decoded since the previous read.

    Parameters
    ----------
    host_time : shape (n,), `Clock.now()` at which the bytes were read, s.
    board_time : shape (n,), the board's own time, unwrapped, s; NaN where the profile has none.
    values : channel name (``reported.*``, see `hil.core.trace`) -> shape (n,), canonical units.
    lost : frames missing by the sequence counter, and polls without an answer.
    repeated : frames with the sequence number of the one before.
    restarts : how often the board time stepped back, as it does when the board restarts.
    bad : pieces of data that did not decode, each a short text with bytes and reason.
    """

    host_time: FloatArray
    board_time: FloatArray
    values: Mapping[str, FloatArray]
    lost: int = 0
    bad: tuple[str, ...] = field(default=())
    repeated: int = 0
    restarts: int = 0

    def __len__(self) -> int:
        return int(self.host_time.size)


@runtime_checkable
class Board(Protocol):
    """A board that obeys commands and streams telemetry.

    Every method raises `LinkError` (or `LinkTimeout`) with the cause when the link fails; no
    library error escapes.
    """

    def identify(self) -> Identity:
        """Ask who is there; `Identity.revision` is the firmware build as the board reports it."""

    def start(self, speed: float) -> None:
        """Start towards a signed speed in rpm, clockwise positive; returns when acknowledged."""

    def set_speed(self, speed: float) -> None:
        """New signed set point in rpm; a change of sign asks for a reversal."""

    def stop(self) -> None:
        """Ask for an orderly stop."""

    def clear(self) -> None:
        """Clear latched faults."""

    def select_sensing(self, sensing: str) -> None:
        """``hall`` or ``back-emf``; only while idle."""

    def stream(self, on: bool) -> None:
        """Switch streaming telemetry on or off."""

    def read(self) -> BoardReadings:
        """Everything that arrived since the last call; never blocks, never raises on bad bytes."""

    def close(self) -> None:
        """Release the port; a second call does nothing."""


@runtime_checkable
class Timed(Protocol):
    """A board that tells how fast it can be talked to.

    Attributes
    ----------
    turnaround : least time, s, from sending a command to having its answer, beyond what both spent
        on the line: firmware, adapters and drivers in between. NaN before the first answer.
    """

    turnaround: float


@runtime_checkable
class Nudged(Protocol):
    """A board that can be spoken to without waiting for what it says."""

    def nudge(self) -> bool:
        """Ask who is there and return at once; whether the question was sent.

        It is not while an earlier one, or a poll, has no answer yet. The answer is taken by `read`.

        Raises
        ------
        LinkTimeout
            If the board has left too many of them unanswered.
        """

    def settle(self) -> None:
        """Wait for the answer to the last nudge if it is still to come; for when time is no matter.

        Raises
        ------
        LinkTimeout
            If the board does not answer, asked again as often as `Board.identify` does.
        """
