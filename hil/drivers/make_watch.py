"""Which watch a link profile asks for."""

from __future__ import annotations

from hil.drivers.watch import Watch
from hil.drivers.watch_frames import FrameWatch
from hil.ports.link import LinkDescription


def make_watch(description: LinkDescription) -> Watch:
    """The watch for a link profile. LinkError if the profile contradicts itself."""
    if description.framing.kind == "modbus":
        from hil.drivers.watch_modbus import ModbusWatch  # pymodbus loads only where it is used

        return ModbusWatch(description)
    return FrameWatch(description)
