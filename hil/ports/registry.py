"""Who offers board links and instruments.

A driver registers a `Descriptor` under the entry-point group ``hil.links`` (boards) or
``hil.instruments``; the entry is named ``<port>.<name>``, e.g. ``supply.scpi``:

    [project.entry-points."hil.instruments"]
    "supply.example" = "example_supply:DESCRIPTOR"

    registry = Registry.installed()
    registry.get("supply", "scpi").open(config, clock, manager)
    registry.listing()                  # all entries, available or with the reason why not

Entries are loaded when asked for and checked against their port before they enter the table. A
broken one is listed as unavailable and disturbs nobody else.
"""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from importlib.metadata import entry_points
from types import MappingProxyType

from hil.core.alike import alike
from hil.core.errors import BenchError
from hil.ports.board import Board
from hil.ports.instruments import (
    Brake,
    Encoder,
    Interlock,
    SignalSwitch,
    Supply,
    Tachometer,
    Thermometer,
)

LINKS, INSTRUMENTS = "hil.links", "hil.instruments"

#: Port -> its protocol.
PORTS: Mapping[str, type] = MappingProxyType(
    {
        "board": Board,
        "supply": Supply,
        "tachometer": Tachometer,
        "brake": Brake,
        "switch": SignalSwitch,
        "interlock": Interlock,
        "encoder": Encoder,
        "thermometer": Thermometer,
    }
)

#: The drivers of this project; a bare checkout has no entry points.
BUILT_IN: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        LINKS: {"board.serial": "hil.drivers.serial_board:DESCRIPTOR"},
        INSTRUMENTS: {
            "supply.scpi": "hil.drivers.supply:DESCRIPTOR",
            "tachometer.scpi": "hil.drivers.tachometer:DESCRIPTOR",
            "brake.scpi": "hil.drivers.brake:DESCRIPTOR",
            "brake.current": "hil.drivers.brake_source:BY_CURRENT",
            "brake.voltage": "hil.drivers.brake_source:BY_VOLTAGE",
            "switch.scpi": "hil.drivers.switch:DESCRIPTOR",
            "interlock.scpi": "hil.drivers.interlock:DESCRIPTOR",
            "tachometer.counter": "hil.drivers.counter:DESCRIPTOR",
            "encoder.scpi": "hil.drivers.encoder:DESCRIPTOR",
            "thermometer.scpi": "hil.drivers.thermometer:DESCRIPTOR",
        },
    }
)


def _available() -> str:
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Descriptor:
    """What a driver offers.

    Parameters
    ----------
    name : as in the rig file, e.g. ``scpi``.
    port : key of `PORTS`.
    driver : class that implements the port; `open` returns an instance of it.
    config : type of the first argument of `open`.
    open : board: ``open(config, clock, log)``, `log` being None or a callable that takes
        ``("rx" or "tx", host time, bytes)``; instruments: ``open(config, clock, manager)`` with a
        VISA resource manager.
    probe : "" when the driver can be used on this computer, else the reason why not.
    capabilities : words for people and plans, e.g. ``over-voltage-protection``.
    """

    name: str
    port: str
    driver: type
    config: type
    open: Callable[..., object]
    probe: Callable[[], str] = _available
    capabilities: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry before it is loaded: group, ``<port>.<name>``, where it comes from, its loader."""

    group: str
    name: str
    source: str
    load: Callable[[], object]


@dataclass(frozen=True, slots=True)
class Listing:
    """One line of `Registry.listing`; `reason` is "" for an available driver."""

    port: str
    name: str
    source: str
    reason: str
    capabilities: frozenset[str] = frozenset()


class Registry:
    """Descriptors by port and name.

    A name that two entries claim is unavailable to all: which of them would drive the bench must
    not be left open.
    """

    def __init__(self, entries: Iterable[Entry]) -> None:
        self._loaded: dict[str, Descriptor] = {}
        self._broken: dict[str, str] = {}
        self._entries: dict[str, Entry] = {}
        for entry in entries:
            other = self._entries.setdefault(entry.name, entry)
            if other is not entry:
                self._broken[entry.name] = (
                    f"registered twice: by {other.source} and by {entry.source}"
                )

    @classmethod
    def installed(cls) -> Registry:
        """The drivers of this project and of every installed package."""
        return cls([*built_in_entries(), *installed_entries()])

    def names(self, port: str) -> tuple[str, ...]:
        """Names of the drivers for a port, loaded or not, sorted."""
        return tuple(
            sorted(name.partition(".")[2] for name in self._entries if _port_of(name) == port)
        )

    def get(self, port: str, name: str) -> Descriptor:
        """The driver of that name.

        Raises
        ------
        BenchError
            If there is none, it does not fit its port, or it cannot be used on this computer.
        """
        key = f"{port}.{name}"
        if key not in self._entries:
            known = self.names(port)
            near = alike(name, known)
            hint = f", did you mean {near[0]!r}?" if near else ""
            raise BenchError(f"no {port} driver {name!r}{hint} known: {', '.join(known) or 'none'}")
        reason = self._reason(key)
        if reason:
            raise BenchError(f"{port} driver {name!r} is unavailable: {reason}")
        return self._loaded[key]

    def listing(self) -> tuple[Listing, ...]:
        """All drivers, sorted; loads every one of them."""
        lines = []
        for key in sorted(self._entries):
            port, _, name = key.partition(".")
            reason = self._reason(key)
            loaded = self._loaded.get(key)
            capabilities = loaded.capabilities if loaded else frozenset()
            lines.append(Listing(port, name, self._entries[key].source, reason, capabilities))
        return tuple(lines)

    def _reason(self, key: str) -> str:
        """Load an entry if that has not been tried yet; why it cannot be used, or ""."""
        if key in self._broken:
            return self._broken[key]
        try:
            if key not in self._loaded:
                found = self._entries[key].load()
                faults = check(found, self._entries[key])
                if faults:
                    self._broken[key] = "; ".join(faults)
                    return self._broken[key]
                assert isinstance(found, Descriptor)
                self._loaded[key] = found
            return self._loaded[key].probe()
        except Exception as error:  # a third party's code: whatever it raises concerns it alone
            self._broken[key] = f"{type(error).__name__}: {error}"
            return self._broken[key]


def built_in_entries() -> list[Entry]:
    """The drivers of this project."""
    return [
        Entry(group, name, "this project", _loader(place))
        for group, table in BUILT_IN.items()
        for name, place in table.items()
    ]


def installed_entries() -> list[Entry]:
    """Entry points of installed packages."""
    return [
        Entry(group, point.name, f"package {point.dist.name}" if point.dist else "?", point.load)
        for group in (LINKS, INSTRUMENTS)
        for point in entry_points(group=group)
    ]


def _loader(place: str) -> Callable[[], object]:
    def load() -> object:
        module, _, attribute = place.partition(":")
        return getattr(importlib.import_module(module), attribute)

    return load


def _port_of(key: str) -> str:
    return key.partition(".")[0]


def check(found: object, entry: Entry) -> list[str]:
    """What is wrong with a loaded entry, nothing if it fits its port."""
    if not isinstance(found, Descriptor):
        return [f"{entry.name} is a {type(found).__name__}, expected a Descriptor"]
    faults = []
    if f"{found.port}.{found.name}" != entry.name:
        faults.append(f"describes {found.port}.{found.name}, registered as {entry.name}")
    if found.port not in PORTS:
        return [*faults, f"unknown port {found.port!r}, expected one of {', '.join(PORTS)}"]
    group = LINKS if found.port == "board" else INSTRUMENTS
    if entry.group != group:
        faults.append(f"a {found.port} registers in {group}, not in {entry.group}")
    faults += check_driver(found.driver, found.port)
    last = "log" if found.port == "board" else "manager"
    try:
        inspect.signature(found.open).bind(object(), object(), object())
    except TypeError as error:
        faults.append(f"open(config, clock, {last}): {error}")
    return faults


def check_driver(driver: object, port: str) -> list[str]:
    """Which members of the port a driver class lacks, or has with other arguments."""
    if not isinstance(driver, type):
        return [f"driver is {driver!r}, expected a class"]
    faults = []
    protocol = PORTS[port]
    for member in sorted(_members(protocol)):
        wanted, found = getattr(protocol, member), getattr(driver, member, None)
        if found is None and not callable(wanted) and member in inspect.get_annotations(driver):
            continue  # an attribute that every instance gets
        if found is None:
            faults.append(f"{driver.__name__} has no {member!r}, which a {port} must have")
        elif callable(wanted):
            faults += _check_arguments(driver, member, wanted, found)
    return faults


def _members(protocol: type) -> set[str]:
    return {
        name
        for part in protocol.__mro__
        if part is not object and part.__name__ not in ("Protocol", "Generic")
        for name in vars(part)
        if not name.startswith("_")
    }


def _check_arguments(
    driver: type, member: str, wanted: Callable[..., object], found: object
) -> list[str]:
    if not callable(found):
        return [f"{driver.__name__}.{member} cannot be called"]
    names = list(inspect.signature(wanted).parameters)[1:]
    has = inspect.signature(found).parameters
    first = list(has)[1:]
    try:
        inspect.signature(found).bind(*(object() for _ in range(len(names) + 1)))
    except TypeError as error:
        return [f"{driver.__name__}.{member}({', '.join(names)}): {error}"]
    if first[: len(names)] != names:
        return [
            f"{driver.__name__}.{member} takes ({', '.join(first)}), "
            f"the port says ({', '.join(names)})"
        ]
    return []
