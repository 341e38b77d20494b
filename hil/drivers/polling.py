"""When to ask for telemetry that comes only on request: one request at a time, the most overdue."""

from __future__ import annotations

from collections.abc import Sequence

from hil.ports.link import PollSpec


class Poller:
    """Keeps the plan of polls; the caller sends and tells what came back.

        poll = poller.next(now)         # None: nothing is due, or an answer is awaited
        poller.answered("telemetry")    # whether that was the answer awaited

    A poll without an answer within `timeout` s counts in `lost` and the plan goes on.
    """

    def __init__(self, polls: Sequence[PollSpec], timeout: float) -> None:
        self._polls, self._timeout = tuple(polls), timeout
        self._due = [0.0] * len(self._polls)
        self._awaited: PollSpec | None = None
        self._since = 0.0
        self._lost: list[str] = []
        self._gives_way = False
        self._may_give_way = True  # not twice without a poll in between
        self.on = False

    def switch(self, on: bool, now: float) -> None:
        """Begin with every poll due at once, or stop asking."""
        self.on, self._gives_way, self._may_give_way = on, False, True
        self._due = [now] * len(self._polls)

    def next(self, now: float) -> PollSpec | None:
        """The poll to send now; it counts as sent."""
        if not self.on or self.waiting(now):
            return None
        if self._gives_way:
            self._gives_way = self._may_give_way = False
            return None
        late = [now - due for due in self._due]
        index = max(range(len(late)), key=late.__getitem__, default=-1)
        if index < 0 or late[index] < 0.0:
            return None
        poll = self._polls[index]
        # keeps its rhythm while it can, and does not catch up what was missed
        following = self._due[index] + poll.period
        self._due[index] = following if following > now else now + poll.period
        self._awaited, self._since, self._may_give_way = poll, now, True
        return poll

    def give_way(self) -> None:
        """Leave the line free once, when the answer awaited is there: something else has to go.

        Otherwise polls that are due at every look would never let anything else through. The turn
        after that belongs to a poll again.
        """
        self._gives_way = self._may_give_way

    def waiting(self, now: float) -> bool:
        """Whether an answer is awaited and may still come."""
        if self._awaited is not None and now - self._since >= self._timeout:
            self._lost.append(f"no answer to the poll for {self._awaited.answer!r}")
            self._awaited = None
        return self._awaited is not None

    def answered(self, name: str) -> bool:
        """Whether message `name` is the answer awaited; nothing is awaited afterwards."""
        fits = self._awaited is not None and self._awaited.answer == name
        if fits:
            self._awaited = None
        return fits

    def refused(self, reason: str) -> None:
        """The poll awaited was answered by an error."""
        name = self._awaited.answer if self._awaited is not None else "nothing"
        self._lost.append(f"the poll for {name!r} was refused: {reason}")
        self._awaited = None

    def take_lost(self) -> list[str]:
        """Texts about polls that brought nothing since the last call."""
        lost, self._lost = self._lost, []
        return lost
