"""A trace seen under its conditions: oriented speeds, judged windows, changes of state."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar, cast

import numpy as np

from hil.core.budget import SAMPLING, Budget, clock, rectangular, total
from hil.core.conditions import Conditions
from hil.core.drive import DriveState, Fault
from hil.core.measure import Outcome
from hil.core.trace import Mark, Trace
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable

T = TypeVar("T")

#: Marks that end the judged window of an approach to a set point.
ENDS = ("set-point", "reverse", "stop", "brake-on", "load-on", "clear", "restart")


@dataclass(frozen=True, slots=True)
class Window:
    """A judged window: from a mark to the first later one of `ends`, or the end of the trace.

    Parameters
    ----------
    onset : name of the mark at which it begins.
    nth : which of several marks of that name; negative counts from the end.
    ends : names of the marks that end it.
    """

    onset: str
    nth: int = 0
    ends: tuple[str, ...] = ENDS

    @property
    def text(self) -> str:
        """The window in words, for definitions: a sentence."""
        return f"Judged window: {self.span}."

    @property
    def span(self) -> str:
        """From where to where, within a sentence."""
        which = "the last mark" if self.nth == -1 else "mark"
        names = ", ".join(f"`{name}`" for name in self.ends)
        return (
            f"from {which} `{self.onset}` to the first later one of the marks {names}, or the "
            "end of the trace"
        )

    def mark(self, view: View) -> Mark:
        """The mark at which the window of `view` begins; MISSING_DATA without it."""
        return view.mark(self.onset, self.nth)

    def of(self, view: View) -> tuple[float, float]:
        """Start and end of the window of `view`, s."""
        start = self.mark(view).t
        return start, view.until(start, self.ends)


@dataclass(frozen=True, slots=True)
class Event:
    """An instant with the budget of its uncertainty and its resolution, all in s."""

    t: float
    budget: Budget = field(default_factory=Budget)
    resolution: float = 0.0


@dataclass(frozen=True, eq=False)
class View:
    """One trace and the conditions it was captured under.

    Speeds and positions it hands out are positive in the direction of rotation at the start.
    """

    trace: Trace
    conditions: Conditions
    _known: dict[Any, Any] = field(default_factory=dict)

    def once(self, make: Callable[[View], T]) -> T:
        """The value of `make(self)`, or the `Unmeasurable` it raised, worked out only once."""
        if make not in self._known:
            try:
                self._known[make] = make(self)
            except Unmeasurable as why:
                self._known[make] = why
        found = self._known[make]
        if isinstance(found, Unmeasurable):
            raise Unmeasurable(found.outcome, found.detail)
        return cast("T", found)

    @property
    def end(self) -> float:
        """Last instant of the trace, s: its stated end, or its last sample if none is stated."""
        last = [float(c.t[-1]) for c in self.trace.channels.values() if len(c)]
        return float(max([self.trace.end, *last]) if self.trace.end <= 0.0 else self.trace.end)

    def signal(self, name: str, factor: float = 1.0) -> Signal:
        """The channel `name`, times `factor`; MISSING_DATA if it was not captured."""
        key = (name, factor)
        if key not in self._known:
            channel = self.trace.channel(name)
            if channel is None:
                raise Unmeasurable(Outcome.MISSING_DATA, f"{name} was not captured")
            self._known[key] = Signal.of(channel, factor)
        found: Signal = self._known[key]
        if not found.t.size:
            raise Unmeasurable(Outcome.MISSING_DATA, f"{name} holds no valid sample")
        return found

    def all_of(self, name: str) -> Signal:
        """The channel over the whole trace; it may begin late as long as nothing was asked yet.

        Nothing asked: before the first mark other than `supply-on`. A board that the bench supply
        feeds sends nothing earlier.
        """
        found = self.signal(name)
        asked = [mark.t for mark in self.trace.marks if mark.name != "supply-on"]
        start = min(float(found.t[0]), asked[0] if asked else self.end)
        return found.window(min(start, self.end), self.end, 1)

    @property
    def speed(self) -> Signal:
        """Shaft speed in rpm, from the tachometer.

        Only where the rig has none (no such channel at all) the speed the firmware reports stands
        in, and every measure built on it says so. A tachometer that fell silent is missing data.
        """
        return self.once(_speed)

    def need_direction(self) -> None:
        """NOT_APPLICABLE if the tachometer cannot tell which way the shaft turns."""
        if "witness.speed" in self.trace.channels and not self.conditions.senses_direction:
            detail = "the tachometer does not sense the direction of rotation"
            raise Unmeasurable(Outcome.NOT_APPLICABLE, detail)

    def seen(self, name: str) -> Signal:
        """A speed as it may be held against the tachometer: its magnitude, if that is all it has.

        The channel itself where the tachometer senses the direction.
        """
        found = self.signal(name)
        if name == "witness.speed":
            found = replace(found, gate=self.conditions.speed_gate)
        return found if self.conditions.senses_direction else replace(found, y=np.abs(found.y))

    @property
    def position(self) -> Signal:
        """Shaft angle in degrees from the tachometer; NOT_APPLICABLE if it knows no direction."""
        self.need_direction()
        return self.signal("witness.position", float(self.conditions.direction))

    def mark(self, name: str, nth: int = 0) -> Mark:
        """The mark of that name; MISSING_DATA if it was not set."""
        found = self.trace.mark(name, nth)
        if found is None:
            raise Unmeasurable(Outcome.MISSING_DATA, f"the trace has no mark '{name}'")
        return found

    def until(self, start: float, names: Iterable[str] = ENDS) -> float:
        """The first mark of `names` later than `start`, or the end of the trace, s."""
        wanted = set(names)
        later = [m.t for m in self.trace.marks if m.name in wanted and m.t > start]
        return min([*later, self.end])

    def entry_to(
        self, state: DriveState, start: float, end: float, *, before: DriveState | None = None
    ) -> Event | None:
        """First change into `state` (from `before`, if given) within [start, end], or None.

        A change between two telemetry frames is placed in the middle between them (rectangular
        distribution), but not before `start`.

        Raises
        ------
        Unmeasurable
            MISSING_DATA if the state was not captured or has a gap before the change.
        """
        states = self.signal("reported.state")
        code = np.rint(states.y)
        hit = (code[1:] == state) & (code[:-1] != state)
        if before is not None:
            hit &= code[:-1] == before
        hit &= (states.t[1:] >= start) & (states.t[1:] <= end)
        found = np.flatnonzero(hit)
        if not found.size:
            states.window(start, end, 1)
            return None
        a, b = float(states.t[found[0]]), float(states.t[found[0] + 1])
        states.window(start, b, 1)
        a = max(a, start)
        width = max(b - a, states.interval)
        budget = rectangular(SAMPLING, width / 2.0) + clock(states.time_uncertainty)
        return Event((a + b) / 2.0, budget, width)

    def time_in(self, state: DriveState, start: float, end: float) -> tuple[float, Budget, float]:
        """Time spent in `state` within [start, end]: s, budget, resolution in s."""
        whole = self.signal("reported.state")
        states = whole.window(start, end, 1)
        t, code = states.t, np.rint(states.y)
        earlier = whole.cut(-np.inf, start)
        if earlier.t.size and t[0] > start:
            # What was reported last before the window held on at its beginning.
            t, code = np.append(start, t), np.append(np.rint(earlier.y[-1]), code)
        held = (code == state).astype(np.float64)
        edges = np.concatenate(([t[0]], (t[1:] + t[:-1]) / 2.0, [t[-1]]))
        # The clock's error is common to all changes and cancels in a duration.
        gaps = np.diff(t)[np.diff(held) != 0.0]
        budget = total(rectangular(SAMPLING, float(gap) / 2.0) for gap in gaps)
        return float(np.sum(np.diff(edges) * held)), budget, states.interval

    def fault_named(self, start: float, end: float) -> str:
        """What faults were reported within [start, end], in words; "" if none is known of."""
        channels = self.trace.channels
        bits, states = (
            self.signal(name).cut(start, end).y if name in channels else np.empty(0)
            for name in ("reported.fault", "reported.state")
        )
        found = Fault(int(np.bitwise_or.reduce(np.rint(bits).astype(np.int64), initial=0)))
        if found:
            return f"reported fault: {', '.join(found.words)}"
        return "reported state: fault" if np.any(np.rint(states) == DriveState.FAULT) else ""

    def faulted(self, start: float, end: float) -> bool:
        """Whether a fault bit or the fault state was reported within [start, end].

        Raises
        ------
        Unmeasurable
            MISSING_DATA if no fault was seen but state or fault bits are not all there: missing
            data must not look like a healthy drive.
        """
        signals = [self.signal(name) for name in ("reported.fault", "reported.state")]
        bits, states = (signal.cut(start, end) for signal in signals)
        if bool(np.any(bits.y != 0.0)) or bool(np.any(np.rint(states.y) == DriveState.FAULT)):
            return True
        for signal in signals:
            signal.window(start, end, 1)
        return False


def _speed(view: View) -> Signal:
    factor = float(view.conditions.direction)
    if "witness.speed" in view.trace.channels:
        if view.conditions.senses_direction:
            return replace(view.signal("witness.speed", factor), gate=view.conditions.speed_gate)
        note = "magnitude: the tachometer does not sense the direction"
        return replace(view.seen("witness.speed"), note=note)
    if "reported.speed" not in view.trace.channels:
        raise Unmeasurable(Outcome.MISSING_DATA, "witness.speed was not captured")
    found = view.signal("reported.speed", factor)
    note = "from the speed the firmware reports: the rig has no tachometer"
    return Signal(
        found.name, found.t, found.y, found.accuracy, found.time_uncertainty, found.interval, note
    )
