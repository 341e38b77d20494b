"""What a link profile makes of the bytes on a link: messages, latest values, and what is left over.

watch = make_watch(description)
watch.piece(t, to_board, data)      # in order, from a port or from a recording
watch.seen["telemetry"].count, watch.left, watch.lost
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.core.errors import LinkError
from hil.drivers.codec import Codec
from hil.drivers.framing.base import Reject, make_framing
from hil.drivers.layout import Layout
from hil.drivers.telemetry import Batch
from hil.ports.link import LinkDescription

#: Pieces that did not decode, kept to be shown.
MOST_LEFT = 200


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
        # numbers differ from piece to piece and are no kind of reason
        kind = re.sub(r"b(['\"]).*\1|'[^']*'|\b[0-9A-F]*[0-9][0-9A-F]*\b", "...", reason)
        self.reasons[kind] += 1

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


class FrameWatch(Watch):
    """Watch of line and binary protocols. LinkError if the profile contradicts itself."""

    def __init__(self, description: LinkDescription) -> None:
        super().__init__()
        try:
            self._codec = Codec(description)
            self._from, self._to = (make_framing(description.framing) for _ in range(2))
        except ValueError as error:
            raise LinkError(f"link profile {description.name}: {error}") from error
        layout = self._layout = Layout(description.framing)
        self._heads = {layout.key(n, c.key): n for n, c in description.commands.items()} | {
            layout.key("poll", poll.request.key): f"poll for {poll.answer}"
            for poll in description.polls
            if poll.request is not None
        }

    def piece(self, t: float, to_board: bool, data: bytes) -> None:
        """Bytes that went one way at host time `t`, s."""
        if to_board:
            self.sent += len(data)
            self._from.sent(data)
            for payload in self._to.feed(data).frames:
                head = self._layout.head(payload)
                self.commands[self._heads.get(head, "unknown")] += 1
            return
        self.received += len(data)
        cut = self._from.feed(data)
        found = self._codec.sort(cut.frames)
        self._leave_all(t, cut.rejects)
        self._leave_all(t, found.bad)
        for message in found.messages:
            name = f"{message.name} {message.command}".strip()
            self._note(t, name, 1, message.fields)
        for name, frames in (("telemetry", found.telemetry), *found.others.items()):
            if frames:
                batch = self._codec.telemetry(frames, t, name)
                self._bad(t, frames, batch)
                self._telemetry(t, name, batch)

    def _bad(self, t: float, frames: Sequence[bytes], batch: Batch) -> None:
        broken = [frame for frame, good in zip(frames, batch.good, strict=True) if not good]
        for frame, text in zip(broken, batch.bad, strict=False):
            self._leave(t, frame, text)
        for text in batch.bad[len(broken) :]:
            self._leave(t, b"", text)

    def _leave_all(self, t: float, rejects: Sequence[Reject]) -> None:
        for reject in rejects:
            self._leave(t, reject.data, reject.reason)


def make_watch(description: LinkDescription) -> Watch:
    """The watch for a link profile. LinkError if the profile contradicts itself."""
    if description.framing.kind == "modbus":
        from hil.drivers.watch_modbus import ModbusWatch

        return ModbusWatch(description)
    return FrameWatch(description)
