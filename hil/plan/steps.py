"""The primitive steps of a scenario that is written as a list.

A step is a plain word (``stop``) or one key with its value (``start: 2000 rpm``); those that wait
for something also take ``within``, and a dip takes ``for``. Speeds are positive in the direction of
the item.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from hil.core.drive import DriveState, Fault

STATES = {state.word: state for state in DriveState}
FAULTS = tuple(fault.words[0] for fault in Fault if fault)


@dataclass(frozen=True, slots=True)
class _Lasting:
    """A step that takes `seconds`."""

    seconds: float


@dataclass(frozen=True, slots=True)
class _Towards:
    """A step that asks for a `speed` in rpm."""

    speed: float


@dataclass(frozen=True, slots=True)
class SupplyOn:
    """Output on, or a new voltage in V; None for that of the item."""

    voltage: float | None = None


@dataclass(frozen=True, slots=True)
class SupplyOff:
    """Output off."""


@dataclass(frozen=True, slots=True)
class Start(_Towards):
    """Start command towards a speed in rpm."""


@dataclass(frozen=True, slots=True)
class SetSpeed(_Towards):
    """New set point in rpm, same direction."""


@dataclass(frozen=True, slots=True)
class Sweep(_Towards):
    """The set point led to a speed in rpm within `seconds`, same direction."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Reverse:
    """The present set point in the other direction."""


@dataclass(frozen=True, slots=True)
class Stop:
    """Stop command."""


@dataclass(frozen=True, slots=True)
class BrakeOn:
    """Brake the shaft with a torque in N m."""

    torque: float


@dataclass(frozen=True, slots=True)
class Release:
    """Brake off."""


@dataclass(frozen=True, slots=True)
class Clear:
    """Clear latched faults."""


@dataclass(frozen=True, slots=True)
class Wait(_Lasting):
    """Let time pass, s; anything may happen meanwhile."""


@dataclass(frozen=True, slots=True)
class Hold(_Lasting):
    """Let time pass, s, in which the drive must not fault."""


@dataclass(frozen=True, slots=True)
class WaitForSpeed:
    """Wait until the speed is reached, rpm, at most `within` s."""

    speed: float
    within: float


@dataclass(frozen=True, slots=True)
class WaitForState:
    """Wait until the board reports the state, at most `within` s."""

    state: DriveState
    within: float


@dataclass(frozen=True, slots=True)
class ExpectFault:
    """One of the named faults must be reported within `within` s."""

    faults: tuple[str, ...]
    within: float


@dataclass(frozen=True, slots=True)
class Dip:
    """Another supply voltage in V for `seconds`, then the one before again.

    `edge` : V/s on the way there and back; 0 for a step.
    """

    voltage: float
    seconds: float
    edge: float = 0.0


@dataclass(frozen=True, slots=True)
class SetLine:
    """Open or close one line of the signal switch."""

    line: str
    closed: bool


@dataclass(frozen=True, slots=True)
class Glitch:
    """Open one line of the signal switch for `seconds`, so many `times`, one `every` s."""

    line: str
    seconds: float
    times: int = 1
    every: float = 0.0


@dataclass(frozen=True, slots=True)
class StandIn:
    """A rung of the ladder, by its line, in place of the temperature sensor; "" for the sensor."""

    line: str


@dataclass(frozen=True, slots=True)
class Silence(_Lasting):
    """The host says nothing for a time, s; it goes on listening."""


@dataclass(frozen=True, slots=True)
class ExpectStill(_Lasting):
    """The shaft must stand for a time, s."""


@dataclass(frozen=True, slots=True)
class ExpectRefusal:
    """A command that the board must refuse; one that it obeys is a failure.

    Parameters
    ----------
    command : start, set-speed, sensing or clear.
    value : rpm, or the sensing method; None for clear.
    """

    command: str
    value: float | str | None = None


Step = (
    SupplyOn
    | SupplyOff
    | Start
    | SetSpeed
    | Sweep
    | Reverse
    | Stop
    | BrakeOn
    | Release
    | Clear
    | Wait
    | Hold
    | WaitForSpeed
    | WaitForState
    | ExpectFault
    | Dip
    | SetLine
    | StandIn
    | Glitch
    | Silence
    | ExpectStill
    | ExpectRefusal
)

#: Steps that may bring a drive into a fault.
CAUSES = (BrakeOn, SupplyOn, Dip, SetLine, StandIn, Glitch, Silence)


#: Steps that are not written as their class is called.
_WRITTEN = {SupplyOn: "supply", SupplyOff: "supply", BrakeOn: "brake", WaitForSpeed: "wait-for",
            WaitForState: "wait-for", StandIn: "temperature"}  # fmt: skip


def written(step: Step) -> str:
    """The word that a step begins with in a plan: ``set-speed``."""
    if isinstance(step, SetLine):
        return "close" if step.closed else "open"
    name = type(step).__name__
    return _WRITTEN.get(type(step)) or re.sub("(?<=[a-z])(?=[A-Z])", "-", name).lower()
