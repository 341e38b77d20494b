"""When a simulated bench misbehaves, and how: a schedule, read strictly and without effect.

parse("board-silent@1.2:0.5")           # from 1.2 s, for half a second
parse("board-corrupted@1.2::0.5")       # from 1.2 s to the end, half a percent of the bytes
parse_schedule({"format": 1, "troubles": [{"kind": "supply-drops", "at": 2.0}]})

`hil.twin.adversary` carries a schedule out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from hil.core.alike import nearest
from hil.core.roles import INSTRUMENTS


@dataclass(frozen=True, slots=True)
class Kind:
    """What a trouble is.

    Parameters
    ----------
    text : in words, for people.
    unit : of its value; "" if it takes none.
    default : value if none is given. low, high : what it may be.
    lasts : whether it has a duration; else it happens in an instant.
    counts : whether its value is a whole number.
    """

    text: str
    unit: str = ""
    default: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    lasts: bool = True
    counts: bool = False

    def measured(self, value: float) -> str:
        """A value with its unit."""
        return f"{value:g}" if self.unit in ("", "1") else f"{value:g} {self.unit}"


def _kinds() -> dict[str, Kind]:
    most = 100.0
    kinds = {
        "board-latency": Kind("bytes from the board come later", "s", 0.02, 0.0, 60.0),
        "board-jitter": Kind("... by a random time up to", "s", 0.02, 0.0, 60.0),
        "board-late": Kind("bytes from the board are held back until it ends, then come at once"),
        "board-dropped": Kind("bytes from the board are lost", "%", 1.0, 0.0, most),
        "board-corrupted": Kind("bytes from the board have a wrong bit", "%", 1.0, 0.0, most),
        "board-duplicated": Kind("bytes from the board come twice", "%", 1.0, 0.0, most),
        "board-silent": Kind("nothing gets through to the board or back"),
        "board-reset": Kind("the board starts anew, as after a power-on", lasts=False),
        "board-unplugged": Kind("the serial adapter is gone"),
        "board-clock-drift": Kind("the board's time runs fast", "ppm", 1000.0, -5e5, 5e5),
        "telemetry-frozen": Kind("the last telemetry frame is repeated instead of new ones"),
        "supply-drops": Kind("the output goes off by itself", lasts=False),
        "supply-trips": Kind("its over-current protection trips", lasts=False),
        "supply-stuck-off": Kind("the output does not go on"),
        "supply-offset": Kind("the voltage reads back wrong by", "V", 1.0),
        "interlock-opens": Kind("the circuit at an input opens", "1", 1.0, 1.0, 8.0, counts=True),
    }
    for role in INSTRUMENTS:
        kinds |= {
            f"{role}-latency": Kind("answers come later", "s", 0.05, 0.0, 60.0),
            f"{role}-silent": Kind("commands are executed, nothing is answered"),
            f"{role}-error": Kind(
                "an error stands in the queue", "1", -310.0, -499.0, 32767.0, lasts=False
            ),
            f"{role}-refused": Kind("numbers are refused as out of range (-222)"),
            f"{role}-lost": Kind("connections are dropped, new ones refused until it ends"),
        }
    return kinds


#: Name -> what it is.
KINDS: Mapping[str, Kind] = _kinds()
_KEYS = ("kind", "at", "duration", "value")


@dataclass(frozen=True, slots=True)
class Trouble:
    """One trouble.

    Parameters
    ----------
    kind : one of `KINDS`.
    at : when it begins, s from when the schedule is put in force.
    duration : s; infinity for ever. 0 for what happens in an instant.
    value : in the unit of its kind; NaN means the default of the kind.

    Raises
    ------
    ValueError
        If a name is unknown or a number cannot be so; the text says what was expected.
    """

    kind: str
    at: float
    duration: float = math.inf
    value: float = math.nan

    def __post_init__(self) -> None:
        kind = KINDS.get(self.kind)
        if kind is None:
            raise ValueError(f"unknown kind of trouble {self.kind!r}{nearest(self.kind, KINDS)}")
        if not 0.0 <= self.at < math.inf:
            raise ValueError(f"{self.kind}: at must be 0 s or later, found {self.at:g}")
        if not self.duration >= 0.0:
            raise ValueError(f"{self.kind}: duration must not be negative, found {self.duration:g}")
        if kind.lasts and self.duration == 0.0:
            raise ValueError(f"{self.kind}: a duration of 0 s would do nothing")
        if not kind.lasts:
            if 0.0 < self.duration < math.inf:
                raise ValueError(f"{self.kind} happens in an instant and takes no duration")
            object.__setattr__(self, "duration", 0.0)
        if math.isnan(self.value):
            object.__setattr__(self, "value", kind.default)
        elif not kind.unit:
            raise ValueError(f"{self.kind} takes no value, found {self.value:g}")
        elif not kind.low <= self.value <= kind.high or math.isinf(self.value):
            raise ValueError(
                f"{self.kind}: expected {kind.low:g} to {kind.measured(kind.high)}, "
                f"found {self.value:g}"
            )
        elif kind.counts and self.value % 1.0:
            raise ValueError(f"{self.kind}: expected a whole number, found {self.value:g}")

    @property
    def end(self) -> float:
        """When it is over, s."""
        return self.at + self.duration

    def __str__(self) -> str:
        kind = KINDS[self.kind]
        value = f" {kind.measured(self.value)}" if kind.unit else ""
        lasts = f" for {self.duration:g} s" if 0.0 < self.duration < math.inf else ""
        return f"{self.kind}{value} at {self.at:g} s{lasts}"


def parse(text: str) -> Trouble:
    """Read ``KIND@TIME[:[DURATION][:VALUE]]``; plain numbers, or with the unit of the kind.

    Raises
    ------
    ValueError
        If it is anything else; the text quotes the piece that is wrong.
    """
    name, at, rest = text.strip().partition("@")
    fields = rest.split(":")
    if not at or len(fields) > 3:
        raise ValueError(f"{text!r}: expected KIND@TIME[:[DURATION][:VALUE]]")
    unit = KINDS[name].unit if name in KINDS else ""
    begin = _number(text, "time", fields[0], "s")
    duration = _number(text, "duration", fields[1], "s") if fields[1:] and fields[1] else math.inf
    value = _number(text, "value", fields[2], unit) if fields[2:] else math.nan
    return Trouble(name, begin, duration, value)


def parse_schedule(document: Any) -> tuple[Trouble, ...]:
    """Read a document of plain mappings and lists: format 1, and a list of troubles.

    Raises
    ------
    ValueError
        If a key is unknown or missing, or a trouble is wrong; the text says which.
    """
    if not isinstance(document, Mapping):
        raise ValueError(f"expected a mapping with format and troubles, found {document!r:.60}")
    _known(document, ("format", "troubles"), "the file")
    if document.get("format") != 1:
        raise ValueError(f"format: expected 1, found {document.get('format')!r}")
    entries = document.get("troubles")
    if not isinstance(entries, list) or not entries:
        raise ValueError(f"troubles: expected a list, found {entries!r:.60}")
    found = []
    for number, entry in enumerate(entries, start=1):
        place = f"troubles[{number}]"
        if not isinstance(entry, Mapping):
            raise ValueError(f"{place}: expected a mapping with kind and at, found {entry!r:.60}")
        _known(entry, _KEYS, place)
        for key in ("kind", "at"):
            if key not in entry:
                raise ValueError(f"{place}: {key} is missing")
        numbers = {key: entry[key] for key in _KEYS[1:] if key in entry}
        for key, value in numbers.items():
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise ValueError(f"{place}: {key} must be a number, found {value!r}")
            if math.isnan(value):
                raise ValueError(f"{place}: {key} must be a number, found NaN")
        try:
            found.append(Trouble(str(entry["kind"]), **numbers))
        except ValueError as error:
            raise ValueError(f"{place}: {error}") from error
    return tuple(found)


def _number(whole: str, what: str, text: str, unit: str) -> float:
    plain = text.strip().removesuffix(unit).strip() if unit else text.strip()
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        of = f" in {unit}" if unit not in ("", "1") else ""
        raise ValueError(f"{whole!r}: {what} must be a number{of}, found {text!r}")
    return value


def _known(entry: Mapping[Any, Any], keys: Iterable[str], place: str) -> None:
    for key in entry:
        if key not in keys:
            raise ValueError(f"{place}: unknown key {key!r}{nearest(str(key), keys)}")
