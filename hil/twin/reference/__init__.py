"""The reference firmware: the explained control loop, compiled by numba, behind the firmware port.

`CONTROL.md` beside this file has the flow chart. The files: `state` and `settings`; `sensing_hall`,
`sensing_back_emf` and `speed`; `sixstep` and `commutation`; `regulator`; `protection`;
`sequencer`; `commands`, `messages`, `serial_lines`, `serial_cobs` and `telemetry`; `firmware`.
"""

from __future__ import annotations

from hil.twin.port import FirmwareBinding
from hil.twin.reference.binding import binding
from hil.twin.reference.settings import SEAMS, ReferenceSettings

__all__ = ["SEAMS", "FirmwareBinding", "ReferenceSettings", "binding"]
