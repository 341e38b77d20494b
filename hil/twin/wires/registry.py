"""Which simulated benches can be reached by URL from this process."""

from __future__ import annotations

import itertools
from weakref import WeakValueDictionary

import serial

from hil.twin.world import World

PACKAGE = "hil.twin.wires"  # where pyserial finds `protocol_twin`
_worlds: WeakValueDictionary[str, World] = WeakValueDictionary()
_numbers = itertools.count(1)


def publish(world: World) -> str:
    """Make the board of a simulated bench available to pyserial; returns its URL.

    The same bench always has the same URL, which works as long as something holds the bench.
    """
    if PACKAGE not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(PACKAGE)
    for name, known in _worlds.items():
        if known is world:
            return f"twin://{name}/board"
    name = f"w{next(_numbers)}"
    _worlds[name] = world
    return f"twin://{name}/board"


def find(name: str) -> World | None:
    """The bench published under `name`, or None."""
    return _worlds.get(name)
