"""Primitive steps as they stand in a plan, read."""

from __future__ import annotations

from collections.abc import Callable

from hil.core.alike import nearest
from hil.core.ladder import line_of
from hil.plan import steps as plan
from hil.plan.ladder import read_rung
from hil.plan.source import describe
from hil.plan.steps import FAULTS, STATES, Step
from hil.plan.units import convert

#: Keys of a dip that is more than a voltage.
_OF_DIP = ("to", "edge")
#: Keys of a glitch that is more than a line.
_OF_GLITCH = ("line", "times", "every")
_WORDS: dict[str, Step] = {
    "reverse": plan.Reverse(),
    "stop": plan.Stop(),
    "release": plan.Release(),
    "clear": plan.Clear(),
}
_WITH_TIME = {"wait-for": "within", "expect-fault": "within", "dip": "for", "glitch": "for",
              "sweep": "for"}  # fmt: skip
_EXAMPLES = {
    "supply": "on",
    "start": "2000 rpm",
    "set-speed": "3000 rpm",
    "sweep": "900 rpm",
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
        either = " and ".join(filter(None, (", ".join(fitting[:-1]), fitting[-1])))
        only = f"{either} {'do' if len(fitting) > 1 else 'does'}"
        raise ValueError(f"{name} takes no {wrong!r}; only {only}")
    if not key:
        return _plain(name, raw[name])
    if key not in raw:
        raise ValueError(f"{name} needs {key!r}, such as '{key}: 2 s'")
    return _OF_A_TIME[name](raw[name], _positive(raw[key], "time"))


def _plain(name: str, value: object) -> Step:
    if name in _FOR_A_TIME:
        return _FOR_A_TIME[name](_positive(value, "time"))
    if name in ("open", "close"):
        return plan.SetLine(_line(name, value), name == "close")
    return _OF_A_VALUE[name](value)


def _line(name: str, value: object) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError(f"{name}: expected the name of a line, found {describe(value)}")
    return value


def _dip(value: object, seconds: float) -> Step:
    if not isinstance(value, dict):
        return plan.Dip(_positive(value, "voltage"), seconds)
    for key in value:
        if key not in _OF_DIP:
            raise ValueError(f"dip: unknown key {key!r}{nearest(str(key), _OF_DIP)}")
    if "to" not in value:
        raise ValueError("dip: expected 'to' with a voltage, such as '{to: 18 V, edge: 40 V/s}'")
    edge = _positive(value["edge"], "slew") if "edge" in value else 0.0
    return plan.Dip(_positive(value["to"], "voltage"), seconds, edge)


def _glitch(value: object, seconds: float) -> Step:
    if not isinstance(value, dict):
        return plan.Glitch(_line("glitch", value), seconds)
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
    return plan.Glitch(_line("glitch", value.get("line")), seconds, times, every)


def _supply(value: object) -> Step:
    if value in ("on", "off"):
        return plan.SupplyOn() if value == "on" else plan.SupplyOff()
    if not isinstance(value, str) or value[:1].isalpha():
        raise ValueError(f"supply: expected on, off or a voltage, found {describe(value)}")
    return plan.SupplyOn(_positive(value, "voltage"))


def _wait_for(value: object, within: float) -> Step:
    if not isinstance(value, dict) or len(value) != 1:
        raise ValueError(f"wait-for: expected one of speed, state, found {describe(value)}")
    ((what, wanted),) = value.items()
    if what == "speed":
        return plan.WaitForSpeed(_positive(wanted, "speed"), within)
    if what != "state":
        raise ValueError(f"wait-for: unknown key {what!r}{nearest(what, ('speed', 'state'))}")
    if not isinstance(wanted, str) or wanted not in STATES:
        raise ValueError(f"wait-for: unknown state {wanted!r}{nearest(str(wanted), STATES)}")
    return plan.WaitForState(STATES[wanted], within)


def _fault(value: object, within: float) -> Step:
    names = value if isinstance(value, list) else [value]
    if not names:
        raise ValueError("expect-fault: expected at least one name, found none")
    for name in names:
        if name not in FAULTS:
            raise ValueError(f"expect-fault: unknown fault {name!r}{nearest(str(name), FAULTS)}")
    return plan.ExpectFault(tuple(map(str, names)), within)


def _refusal(value: object) -> Step:
    if value == "clear":
        return plan.ExpectRefusal("clear")
    if not isinstance(value, dict) or len(value) != 1:
        raise ValueError(
            f"expect-refusal: expected clear or one of start, set-speed, sensing with its value, "
            f"found {describe(value)}"
        )
    ((command, wanted),) = value.items()
    if command in ("start", "set-speed"):
        # Signed and beyond any limit: it is there to be refused.
        return plan.ExpectRefusal(command, convert(wanted, "speed"))
    if command != "sensing":
        known = ("start", "set-speed", "sensing", "clear")
        raise ValueError(f"expect-refusal: unknown command {command!r}{nearest(command, known)}")
    if wanted not in ("hall", "back-emf"):
        raise ValueError(f"expect-refusal: expected hall or back-emf, found {describe(wanted)}")
    return plan.ExpectRefusal("sensing", str(wanted))


def _stand_in(value: object) -> Step:
    if value == "sensor":
        return plan.StandIn("")
    try:
        return plan.StandIn(line_of(read_rung(value)))
    except ValueError as error:
        raise ValueError(f"temperature: {error}, and sensor for the sensor itself") from None


_FOR_A_TIME: dict[str, Callable[[float], Step]] = {
    "wait": plan.Wait,
    "hold": plan.Hold,
    "silence": plan.Silence,
    "expect-still": plan.ExpectStill,
}


_OF_A_VALUE: dict[str, Callable[[object], Step]] = {
    "supply": _supply,
    "brake": lambda value: plan.BrakeOn(_positive(value, "torque")),
    "start": lambda value: plan.Start(_positive(value, "speed")),
    "set-speed": lambda value: plan.SetSpeed(_positive(value, "speed")),
    "expect-refusal": _refusal,
    "temperature": _stand_in,
}


_OF_A_TIME: dict[str, Callable[[object, float], Step]] = {
    "wait-for": _wait_for,
    "expect-fault": _fault,
    "dip": _dip,
    "glitch": _glitch,
    "sweep": lambda value, seconds: plan.Sweep(_positive(value, "speed"), seconds),
}


def _positive(value: object, kind: str) -> float:
    number = convert(value, kind)
    if number <= 0.0:
        raise ValueError(f"expected a {kind} above zero, found {value!r}")
    return number
