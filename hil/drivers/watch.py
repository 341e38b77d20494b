"""What a link profile makes of the bytes on a link: messages, latest values, and what is left over.

watch = make_watch(description)
watch.piece(t, to_board, data)      # in order, from a port or from a recording
watch.seen["telemetry"].count, watch.left, watch.lost
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from hil.drivers.telemetry import Batch

#: Pieces that did not decode, kept to be shown.
MOST_LEFT = 200
NUMBERS = re.compile(r"b(['\"]).*\1|'[^']*'|\b[0-9A-F]+\b")
UNKNOWN_KEY = re.compile(r"unknown message [0-9a-f ]+$")


@dataclass(slots=True)
class Seen:
    """One kind of message: how many, when the first and the last came, and the latest values."""

    count: int = 0
    first: float = 0.0
    last: float = 0.0
    values: dict[str, float | str] = field(default_factory=dict)

    @property
    def rate(self) -> float:
        """Messages a second between the first and the last; NaN below two."""
        span = self.last - self.first
        return (self.count - 1) / span if self.count > 1 and span > 0.0 else float("nan")

    def note(self, t: float, count: int, values: Mapping[str, float | str]) -> None:
        """Add messages that came at `t`, s."""
        if not self.count:
            self.first = t
        self.count += count
        self.last = t
        self.values.update(values)


@dataclass(frozen=True, slots=True)
class Left:
    """A piece from the board that did not decode, and when it came."""

    t: float
    data: bytes
    reason: str


class Watch(ABC):
    """Takes the bytes of a link in order and counts.

    Attributes
    ----------
    received, sent : bytes from and to the board.
    seen, commands : messages from the board and commands to it, by name.
    left : the latest pieces that did not decode; reasons : how many, by kind of reason.
    undecoded : bytes in them.
    lost, repeated, restarts : as in `BoardReadings`.
    """

    def __init__(self) -> None:
        self.received = self.sent = self.undecoded = 0
        self.seen: dict[str, Seen] = {}
        self.commands: Counter[str] = Counter()
        self.left: deque[Left] = deque(maxlen=MOST_LEFT)
        self.reasons: Counter[str] = Counter()
        self.lost = self.repeated = self.restarts = 0

    @abstractmethod
    def piece(self, t: float, to_board: bool, data: bytes) -> None:
        """Bytes that went one way at host time `t`, s."""

    def _leave(self, t: float, data: bytes, reason: str) -> None:
        self.left.append(Left(t, data, reason))
        self.undecoded += len(data)
        # numbers differ from piece to piece and are no kind of reason; the key of a message is one
        if not UNKNOWN_KEY.match(reason):
            reason = NUMBERS.sub("...", reason)
        self.reasons[reason] += 1

    def hint(self) -> str:
        """Words for the profile under which what did not decode would, or "" if none would."""
        return ""

    def _note(self, t: float, name: str, count: int, values: Mapping[str, float | str]) -> None:
        self.seen.setdefault(name, Seen()).note(t, count, values)

    def _telemetry(self, t: float, name: str, batch: Batch) -> None:
        self.lost += batch.lost
        self.repeated += batch.repeated
        self.restarts += batch.restarts
        count = int(batch.good.sum())
        if not count:
            return
        values: dict[str, float | str] = {n: float(c[-1]) for n, c in batch.values.items()}
        if np.isfinite(batch.board_time[-1]):
            values["board time"] = float(batch.board_time[-1])
        self._note(t, name, count, values)
