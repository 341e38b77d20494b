"""What stands between a bench and harm besides the abort limits: guard, interlocks, timed stops."""

from __future__ import annotations

from typing import Protocol

from hil.core.errors import BenchError, HilError
from hil.ports.clock import Clock
from hil.ports.instruments import Interlock

#: Interlocks are read this often while the supply is on, s.
INTERLOCK_POLL = 0.1


class InterlockOpen(BenchError):
    """Emergency stop pressed or guard open; only a person may go on from there."""


class GuardLike(Protocol):
    """The side of `hil.bench.guard.Guard` that a bench sees."""

    energised: bool

    def await_armed(self) -> None:
        """Wait until it is armed, or raise."""

    def beat(self) -> None:
        """The run moves on."""

    def lost(self) -> str:
        """Why it cannot be relied on any more, or ""."""

    def acted(self) -> str:
        """The same of an output that is found off, a moment later."""

    def limit(self, seconds: float | None, why: str = "") -> None:
        """If the run ends that many s from now or later, `why` is the cause."""

    def demand(self, why: str) -> None:
        """Switch off over the guard's own session."""

    def disarm(self) -> str:
        """End it; what went wrong, or ""."""

    def leave(self) -> str:
        """Have it go on switching off; what came of it."""


class Keeper:
    """See the module text. Without guard and interlock it only times the stops.

    Attributes
    ----------
    stops : what each way of switching off took, in words, since `take_stops`.
    left_to_guard : the guard was left behind to switch off what could not be proven off.
    """

    def __init__(
        self, clock: Clock, guard: GuardLike | None = None, interlock: Interlock | None = None
    ) -> None:
        self._clock, self._guard, self._interlock = clock, guard, interlock
        self._next = 0.0
        self.stops: list[str] = []
        self.left_to_guard = False

    @property
    def guarded(self) -> bool:
        """Whether there is a guard process."""
        return self._guard is not None

    def before_output_on(self) -> None:
        """Raise unless everything that watches over the output is in order.

        Raises
        ------
        InterlockOpen, GuardLost
        """
        self.check_interlocks()
        if self._guard is not None:
            self._raise_if_lost()
            self._guard.await_armed()
            self._guard.beat()
            self._guard.energised = True

    def look(self) -> None:
        """Called on every poll: say that the run moves on, and see whether it may.

        Raises
        ------
        InterlockOpen, GuardLost
        """
        if self._guard is not None:
            self._guard.beat()
            self._raise_if_lost()
        if self._interlock is not None and self._clock.now() >= self._next:
            self.check_interlocks()

    def check_interlocks(self) -> None:
        """Read the interlocks now.

        Raises
        ------
        InterlockOpen
            Naming every open one.
        """
        if self._interlock is None:
            return
        self._next = self._clock.now() + INTERLOCK_POLL
        if lines := [name for name, closed in self._interlock.read().items() if not closed]:
            raise InterlockOpen(
                f"interlock open: {', '.join(lines)}; a person must see to the bench and start a "
                f"new run"
            )

    def _raise_if_lost(self) -> None:
        from hil.bench.guard import GuardLost

        assert self._guard is not None
        if why := self._guard.lost():
            raise GuardLost(why)

    def guard_acted(self) -> str:
        """Why the guard switched off, where the output is found off and nobody here did; or ""."""
        return "" if self._guard is None else self._guard.acted()

    def output_is_off(self) -> None:
        """The supply has confirmed that its output is off."""
        if self._guard is not None:
            self._guard.energised = False

    def demand_off(self) -> None:
        """Have the guard switch off as well, over its own session; does not wait."""
        if self._guard is not None:
            self._guard.demand("emergency stop of the run")

    def limit(self, seconds: float | None, why: str = "") -> None:
        """Should the run be ended from outside in `seconds` or later, `why` is the cause."""
        if self._guard is not None:
            self._guard.limit(seconds, why)

    def note_stop(self, text: str) -> None:
        """Keep what a stop took."""
        self.stops.append(text)

    def take_stops(self) -> list[str]:
        """What was noted since the last call."""
        stops, self.stops = self.stops, []
        return stops

    def close(self) -> list[str]:
        """Disarm the guard and let go of the interlock; what went wrong.

        A guard whose supply was never confirmed to be off is left behind, to go on trying.
        """
        problems = []
        if self._guard is not None:
            self.left_to_guard = self._guard.energised
            if trouble := self._guard.leave() if self.left_to_guard else self._guard.disarm():
                problems.append(trouble)
        if self._interlock is not None:
            try:
                self._interlock.close()
            except HilError as error:
                problems.append(f"closing a port failed: {error}")
        return problems
