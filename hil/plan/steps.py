"""The primitive steps of a scenario that is written as a list.

A step is a plain word (``stop``) or one key with its value (``start: 2000 rpm``); those that wait
for something also take ``within``, and a dip takes ``for``. Speeds are positive in the direction of
the item.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from hil.core.alike import nearest
from hil.core.drive import DriveState, Fault
from hil.core.ladder import line_of
from hil.plan.ladder import read_rung
from hil.plan.source import describe
from hil.plan.units import convert

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
    """Another supply voltage in V for `seconds`, then the one before again."""

    voltage: float
    seconds: float


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

#: Keys of a glitch that is more than a line.
_OF_GLITCH = ("line", "times", "every")
#: Steps that may bring a drive into a fault.
CAUSES = (BrakeOn, SupplyOn, Dip, SetLine, StandIn, Glitch, Silence)

_WORDS: dict[str, Step] = {
    "reverse": Reverse(),
    "stop": Stop(),
    "release": Release(),
    "clear": Clear(),
}
_WITH_TIME = {"wait-for": "within", "expect-fault": "within", "dip": "for", "glitch": "for"}
_EXAMPLES = {
    "supply": "on",
    "start": "2000 rpm",
    "set-speed": "3000 rpm",
    "brake": "0.05 N*m",
    "wait": "0.5 s",
    "hold": "1 s",
    "wait-for": "{speed: 2000 rpm}",
    "expect-fault": "[stall]",
    "dip": "18 V",
    "open": "hall-a",
    "close": "hall-a",
    "glitch": "hall-a",
    "temperature": "70 degC",
    "silence": "3 s",
    "expect-still": "0.5 s",
    "expect-refusal": "{start: 9000 rpm}",
}
_ALL = (*_WORDS, *_EXAMPLES)


#: Steps that are not written as their class is called.
_WRITTEN = {SupplyOn: "supply", SupplyOff: "supply", BrakeOn: "brake", WaitForSpeed: "wait-for",
            WaitForState: "wait-for", StandIn: "temperature"}  # fmt: skip


def written(step: Step) -> str:
    """The word that a step begins with in a plan: ``set-speed``."""
    if isinstance(step, SetLine):
        return "close" if step.closed else "open"
    name = type(step).__name__
    return _WRITTEN.get(type(step)) or re.sub("(?<=[a-z])(?=[A-Z])", "-", name).lower()


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
        if raw in _EXAMPLES:
            raise ValueError(f"{raw} needs a value, such as '{raw}: {_EXAMPLES[raw]}'")
        raise ValueError(f"unknown step {raw!r}{nearest(raw, _ALL)}")
    if not isinstance(raw, dict) or not raw:
        raise ValueError(f"expected a step such as 'start: 2000 rpm', found {describe(raw)}")
    times = [name for name in raw if name in ("within", "for")]
    names = [name for name in raw if name not in times]
    if len(names) != 1:
        found = ", ".join(names) or f"only {' and '.join(times)}"
        raise ValueError(f"expected one step an entry, found {found}")
    name = names[0]
    if name in _WORDS:
        raise ValueError(f"{name} takes no value; write it as the plain word {name!r}")
    if name not in _EXAMPLES:
        raise ValueError(f"unknown step {name!r}{nearest(name, _ALL)}")
    key = _WITH_TIME.get(name, "")
    for wrong in (found for found in times if found != key):
        fitting = [other for other, takes in _WITH_TIME.items() if takes == wrong]
        only = f"{' and '.join(fitting)} {'do' if len(fitting) > 1 else 'does'}"
        raise ValueError(f"{name} takes no {wrong!r}; only {only}")
    if not key:
        return _plain(name, raw[name])
    if key not in raw:
        raise ValueError(f"{name} needs {key!r}, such as '{key}: 2 s'")
    seconds = _positive(raw[key], "time")
    if name == "dip":
        return Dip(_positive(raw[name], "voltage"), seconds)
    if name == "glitch":
        return _glitch(raw[name], seconds)
    return _wait_for(raw[name], seconds) if name == "wait-for" else _fault(raw[name], seconds)


def _plain(name: str, value: object) -> Step:
    if name in _FOR_A_TIME:
        return _FOR_A_TIME[name](_positive(value, "time"))
    if name in ("open", "close"):
        return SetLine(_line(name, value), name == "close")
    return _OF_A_VALUE[name](value)


def _line(name: str, value: object) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError(f"{name}: expected the name of a line, found {describe(value)}")
    return value


def _glitch(value: object, seconds: float) -> Step:
    if not isinstance(value, dict):
        return Glitch(_line("glitch", value), seconds)
    for key in value:
        if key not in _OF_GLITCH:
            raise ValueError(f"glitch: unknown key {key!r}{nearest(str(key), _OF_GLITCH)}")
    times = value.get("times", 1)
    if isinstance(times, bool) or not isinstance(times, int) or times < 1:
        raise ValueError(f"glitch: expected a number of times from 1, found {describe(times)}")
    every = _positive(value["every"], "time") if "every" in value else 0.0
    if times > 1 and every <= seconds:
        raise ValueError(
            f"glitch: {times} times need 'every' with more than {1e3 * seconds:g} ms, such as "
            "'every: 11 ms'"
        )
    return Glitch(_line("glitch", value.get("line")), seconds, times, every)


def _supply(value: object) -> Step:
    if value in ("on", "off"):
        return SupplyOn() if value == "on" else SupplyOff()
    if not isinstance(value, str) or value[:1].isalpha():
        raise ValueError(f"supply: expected on, off or a voltage, found {describe(value)}")
    return SupplyOn(_positive(value, "voltage"))


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


def _refusal(value: object) -> Step:
    if value == "clear":
        return ExpectRefusal("clear")
    if not isinstance(value, dict) or len(value) != 1:
        raise ValueError(
            f"expect-refusal: expected clear or one of start, set-speed, sensing with its value, "
            f"found {describe(value)}"
        )
    ((command, wanted),) = value.items()
    if command in ("start", "set-speed"):
        # Signed and beyond any limit: it is there to be refused.
        return ExpectRefusal(command, convert(wanted, "speed"))
    if command != "sensing":
        known = ("start", "set-speed", "sensing", "clear")
        raise ValueError(f"expect-refusal: unknown command {command!r}{nearest(command, known)}")
    if wanted not in ("hall", "back-emf"):
        raise ValueError(f"expect-refusal: expected hall or back-emf, found {describe(wanted)}")
    return ExpectRefusal("sensing", str(wanted))


def _stand_in(value: object) -> Step:
    if value == "sensor":
        return StandIn("")
    try:
        return StandIn(line_of(read_rung(value)))
    except ValueError as error:
        raise ValueError(f"temperature: {error}, and sensor for the sensor itself") from None


_FOR_A_TIME: dict[str, Callable[[float], Step]] = {
    "wait": Wait,
    "hold": Hold,
    "silence": Silence,
    "expect-still": ExpectStill,
}


_OF_A_VALUE: dict[str, Callable[[object], Step]] = {
    "supply": _supply,
    "brake": lambda value: BrakeOn(_positive(value, "torque")),
    "start": lambda value: Start(_positive(value, "speed")),
    "set-speed": lambda value: SetSpeed(_positive(value, "speed")),
    "expect-refusal": _refusal,
    "temperature": _stand_in,
}


def _positive(value: object, kind: str) -> float:
    number = convert(value, kind)
    if number <= 0.0:
        raise ValueError(f"expected a {kind} above zero, found {value!r}")
    return number
