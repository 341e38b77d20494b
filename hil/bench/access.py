"""How a bench is reached, whatever is behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from hil.bench.operator import Operator
from hil.ports.clock import Clock


@dataclass(kw_only=True, slots=True)
class Access:
    """How to reach a bench.

    Parameters
    ----------
    board : device path or pyserial URL.
    visa : a PyVISA resource manager.
    on_close : called when the bench is closed.
    poll, quiet_poll : intervals of reading board and tachometer, s; see `Settings`.
    firmware : name of the user's own firmware on a simulated board; "" on any other.
    simulated : whether the instruments speak SCPI-1999, whatever the rig file says.
    """

    board: str
    visa: Any
    clock: Clock
    on_close: list[Callable[[], None]] = field(default_factory=list)
    poll: float = 0.01
    quiet_poll: float = 0.0
    firmware: str = ""
    simulated: bool = False  # the instruments are those of the simulated bench
    operator: Operator | None = None  # of the simulated bench, who cannot be asked otherwise
