"""The primitive steps of a scenario that is written as a list.

A step is a plain word (``stop``) or one key with its value (``start: 2000 rpm``); the two that wait
for something also take ``within``. Speeds are positive in the direction of the item.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.core.drive import DriveState, Fault
from hil.plan.explain import nearest
from hil.plan.source import describe
from hil.plan.units import convert

STATES = {state.word: state for state in DriveState}
FAULTS = tuple(fault.words[0] for fault in Fault if fault)


@dataclass(frozen=True, slots=True)
class SupplyOn:
    """Output on, or a new voltage in V; None for that of the item."""

    voltage: float | None = None


@dataclass(frozen=True, slots=True)
class SupplyOff:
    """Output off."""


@dataclass(frozen=True, slots=True)
class Start:
    """Start command towards a speed in rpm."""

    speed: float


@dataclass(frozen=True, slots=True)
class SetSpeed:
    """New set point in rpm, same direction."""

    speed: float


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
class Wait:
    """Let time pass, s; anything may happen meanwhile."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Hold:
    """Let time pass, s, in which the drive must not fault."""

    seconds: float


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


Step = (
    SupplyOn
    | SupplyOff
    | Start
    | SetSpeed
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
)

_WORDS: dict[str, Step] = {
    "reverse": Reverse(),
    "stop": Stop(),
    "release": Release(),
    "clear": Clear(),
}
_WITH_VALUE = ("supply", "start", "set-speed", "brake", "wait", "hold", "wait-for", "expect-fault")
_WITH_TIME = ("wait-for", "expect-fault")
_ALL = (*_WORDS, *_WITH_VALUE)


def read_step(raw: object) -> Step:
    """Read one step as it stands in the file.

    Raises
    ------
    ValueError
        With what was found and what was expected.
    """
    if isinstance(raw, str):
        if raw in _WORDS:
            return _WORDS[raw]
        if raw in _WITH_VALUE:
            raise ValueError(f"{raw} needs a value, such as '{raw}: {_EXAMPLES[raw]}'")
        raise ValueError(f"unknown step {raw!r}{nearest(raw, _ALL)}")
    if not isinstance(raw, dict) or not raw:
        raise ValueError(f"expected a step such as 'start: 2000 rpm', found {describe(raw)}")
    names = [name for name in raw if name != "within"]
    if len(names) != 1:
        raise ValueError(f"expected one step an entry, found {', '.join(names) or 'only within'}")
    name = names[0]
    if name in _WORDS:
        raise ValueError(f"{name} takes no value; write it as the plain word {name!r}")
    if name not in _WITH_VALUE:
        raise ValueError(f"unknown step {name!r}{nearest(name, _ALL)}")
    if name in _WITH_TIME:
        if "within" not in raw:
            raise ValueError(f"{name} needs 'within', such as 'within: 2 s'")
        within = _positive(raw["within"], "time")
        return _wait_for(raw[name], within) if name == "wait-for" else _fault(raw[name], within)
    if "within" in raw:
        raise ValueError(f"{name} takes no 'within'; only {' and '.join(_WITH_TIME)} do")
    return _plain(name, raw[name])


_EXAMPLES = {
    "supply": "on",
    "start": "2000 rpm",
    "set-speed": "3000 rpm",
    "brake": "0.05 N*m",
    "wait": "0.5 s",
    "hold": "1 s",
    "wait-for": "{speed: 2000 rpm}",
    "expect-fault": "[stall]",
}


def _plain(name: str, value: object) -> Step:
    if name == "supply":
        if value in ("on", "off"):
            return SupplyOn() if value == "on" else SupplyOff()
        if not isinstance(value, str) or value[:1].isalpha():
            raise ValueError(f"supply: expected on, off or a voltage, found {describe(value)}")
        return SupplyOn(_positive(value, "voltage"))
    if name == "brake":
        return BrakeOn(_positive(value, "torque"))
    if name in ("wait", "hold"):
        seconds = _positive(value, "time")
        return Wait(seconds) if name == "wait" else Hold(seconds)
    speed = _positive(value, "speed")
    return Start(speed) if name == "start" else SetSpeed(speed)


def _wait_for(value: object, within: float) -> Step:
    if not isinstance(value, dict) or len(value) != 1:
        raise ValueError(f"wait-for: expected one of speed, state, found {describe(value)}")
    ((what, wanted),) = value.items()
    if what == "speed":
        return WaitForSpeed(_positive(wanted, "speed"), within)
    if what != "state":
        raise ValueError(f"wait-for: unknown key {what!r}{nearest(what, ('speed', 'state'))}")
    if not isinstance(wanted, str) or wanted not in STATES:
        raise ValueError(f"wait-for: unknown state {wanted!r}{nearest(str(wanted), STATES)}")
    return WaitForState(STATES[wanted], within)


def _fault(value: object, within: float) -> Step:
    names = value if isinstance(value, list) else [value]
    if not names:
        raise ValueError("expect-fault: expected at least one name, found none")
    for name in names:
        if name not in FAULTS:
            raise ValueError(f"expect-fault: unknown fault {name!r}{nearest(str(name), FAULTS)}")
    return ExpectFault(tuple(map(str, names)), within)


def _positive(value: object, kind: str) -> float:
    number = convert(value, kind)
    if number <= 0.0:
        raise ValueError(f"expected a {kind} above zero, found {value!r}")
    return number
