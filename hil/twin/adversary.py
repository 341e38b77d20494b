"""Carries out a schedule of troubles on a simulated bench, in virtual time or served."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable, Sequence
from typing import Protocol, runtime_checkable

from hil.core.roles import INSTRUMENTS
from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.interlock import SimulatedInterlock
from hil.twin.instruments.supply import SimulatedSupply
from hil.twin.noisy_line import PROTOCOLS, NoisyLine
from hil.twin.scpi import ScpiError
from hil.twin.trouble import Trouble
from hil.twin.world import World

#: Kinds that edit telemetry and so have to know its protocol.
_EDITING = ("telemetry-frozen", "board-clock-drift")
#: Kinds that are an attribute of the line: kind -> attribute, its unit in that of the attribute.
_ON_LINE = {
    "board-latency": ("latency", 1.0),
    "board-jitter": ("jitter", 1.0),
    "board-dropped": ("dropped", 0.01),
    "board-corrupted": ("corrupted", 0.01),
    "board-duplicated": ("duplicated", 0.01),
    "board-clock-drift": ("drift", 1e-6),
}


@runtime_checkable
class Restartable(Protocol):
    """A drive whose board can be reset."""

    def restart_board(self) -> None:
        """Power-on reset of the board alone."""


class Adversary:
    """Sits beside the instruments of a bench and strikes when it is time. See `install`.

    Parameters
    ----------
    origin : virtual time, s, from which the times of the schedule count.
    protocol : of the reference firmware; "" for other firmware.
    tell : told each time something begins or ends.

    Raises
    ------
    ValueError
        If the bench has no such instrument, or its telemetry cannot be edited.
    """

    def __init__(
        self,
        world: World,
        schedule: Sequence[Trouble],
        *,
        origin: float = 0.0,
        protocol: str = "",
        seed: int = 0,
        tell: Callable[[str], None] = lambda _text: None,
    ) -> None:
        self._world, self._tell = world, tell
        self._devices = {one.role: one for one in world.instruments.values()}
        self._resources = {one.role: name for name, one in world.instruments.items()}
        self._line = NoisyLine(PROTOCOLS.get(protocol), seed)
        order = itertools.count()
        self._todo: list[tuple[float, int, bool, Trouble]] = []
        for trouble in schedule:
            self._check(trouble, protocol)
            self._todo.append((origin + trouble.at, next(order), True, trouble))
            if 0.0 < trouble.duration < math.inf:
                self._todo.append((origin + trouble.end, next(order), False, trouble))
        heapq.heapify(self._todo)

    def install(self) -> None:
        """Put the schedule in force; nothing on the bench has changed until its first time."""
        self._world.line = self._line
        self._world.attach(self)

    def due(self) -> float:
        """When something happens next, s; infinity for never."""
        return min(self._todo[0][0] if self._todo else math.inf, self._line.due())

    def observe(self, now: float) -> None:
        """Do what is due."""
        while self._todo and self._todo[0][0] <= now:
            _, _, begins, trouble = heapq.heappop(self._todo)
            self._tell(f"{'begins' if begins else 'over'}: {trouble}")
            self._do(trouble, begins)

    def _check(self, trouble: Trouble, protocol: str) -> None:
        role = trouble.kind.partition("-")[0]
        if role in INSTRUMENTS and role not in self._devices:
            raise ValueError(f"{trouble.kind}: this bench has no {role}")
        if trouble.kind in _EDITING and protocol not in PROTOCOLS:
            raise ValueError(f"{trouble.kind} needs telemetry of the reference firmware")

    def _do(self, trouble: Trouble, begins: bool) -> None:
        kind, world = trouble.kind, self._world
        if kind in _ON_LINE:
            name, scale = _ON_LINE[kind]
            setattr(self._line, name, trouble.value * scale if begins else 0.0)
        elif kind == "board-late":
            self._line.held = begins
        elif kind == "telemetry-frozen":
            self._line.frozen = begins
        elif kind == "board-silent":
            world.board_silent = begins
        elif kind == "board-reset":
            assert isinstance(world.drive, Restartable)
            world.drive.restart_board()
        elif kind == "board-unplugged":
            world.connect("board", not begins)
        else:
            role, _, what = kind.partition("-")
            self._do_to(self._devices[role], what, trouble.value, begins)

    def _do_to(self, device: SimulatedInstrument, what: str, value: float, begins: bool) -> None:
        if what == "latency":
            device.latency = value if begins else 0.0
        elif what == "silent":
            device.silent = begins
        elif what == "error":
            device.status.report(ScpiError(int(value)))
        elif what == "refused":
            device.refusing = begins
        elif what == "lost":
            self._world.connect(self._resources[device.role], not begins)
        elif what == "opens":
            assert isinstance(device, SimulatedInterlock)
            device.closed[int(value)] = not begins
        else:
            assert isinstance(device, SimulatedSupply)
            if what == "drops":
                device.power_off()
            elif what == "trips":
                device.trip_over_current()
            elif what == "stuck-off":
                device.stuck_off = begins
            else:
                device.shift_voltmeter(value if begins else -value)

    def power_off(self) -> None:
        """The bench is put away."""
