"""Watches a line or binary protocol."""

from __future__ import annotations

from collections.abc import Sequence

from hil.core.errors import LinkError
from hil.drivers.codec import Codec
from hil.drivers.framing.base import Reject
from hil.drivers.framing.make import make_framing
from hil.drivers.layout import Layout
from hil.drivers.refit import ENOUGH, refitted
from hil.drivers.telemetry import Batch
from hil.drivers.watch import Watch
from hil.ports.link import LinkDescription


class FrameWatch(Watch):
    """Watch of line and binary protocols. LinkError if the profile contradicts itself."""

    def __init__(self, description: LinkDescription) -> None:
        super().__init__()
        self._framing, self._first = description.framing, bytearray()
        try:
            self._codec = Codec(description)
            self._from, self._to = (make_framing(description.framing) for _ in range(2))
        except ValueError as error:
            raise LinkError(f"link profile {description.name}: {error}") from error
        layout = self._layout = Layout(description.framing)
        names: dict[bytes, list[str]] = {}  # several, where one command of the board serves them
        for name, command in description.commands.items():
            names.setdefault(layout.key(name, command.key), []).append(name)
        self._heads = {key: " or ".join(those) for key, those in names.items()} | {
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
        if len(self._first) < ENOUGH:
            self._first += data
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

    def hint(self) -> str:
        """See `Watch.hint`; the first of the bytes tell."""
        return refitted(self._framing, bytes(self._first))

    def _bad(self, t: float, frames: Sequence[bytes], batch: Batch) -> None:
        broken = [frame for frame, good in zip(frames, batch.good, strict=True) if not good]
        for frame, text in zip(broken, batch.bad, strict=False):
            self._leave(t, frame, text)
        for text in batch.bad[len(broken) :]:
            self._leave(t, b"", text)

    def _leave_all(self, t: float, rejects: Sequence[Reject]) -> None:
        for reject in rejects:
            self._leave(t, reject.data, reject.reason)
