"""Simulated brake: torque against the motion of the shaft, set in N m."""

from __future__ import annotations

import math
from collections import deque

from hil.twin.drive_like import DriveLike
from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.parameters import decimal, limit, number


class SimulatedBrake(SimulatedInstrument):
    """A brake that acts `delay` s after the command.

    Parameters
    ----------
    max_torque : largest torque in N m; anything above is refused with -222.
    delay : from command to torque, s.
    """

    def __init__(
        self,
        drive: DriveLike,
        max_torque: float = 1.0,
        delay: float = 0.0,
        serial: str = "SIM-0001",
    ) -> None:
        super().__init__("brake", "SIM-BRAKE", serial)
        self._drive, self._delay = drive, delay
        self._pending: deque[tuple[float, float]] = deque()
        self.torque = 0.0
        header = "[SOURce:]TORQue[:LEVel][:IMMediate][:AMPLitude]"
        self.tree.add(header, self._set, number(0.0, max_torque, "NM", default=0.0))
        self.tree.add(f"{header}?", self._answer, limit(0.0, max_torque, 0.0), optional=1)
        self.reset()

    def reset(self) -> None:
        """Release at once."""
        self._pending.clear()
        self.torque = 0.0
        self._drive.set_brake(0.0)

    def observe(self, now: float) -> None:
        """Let torque act whose delay is over."""
        while self._pending and self._pending[0][0] <= now:
            self._drive.set_brake(self._pending.popleft()[1])

    def due(self) -> float:
        """When the next torque acts, s."""
        return self._pending[0][0] if self._pending else math.inf

    def power_off(self) -> None:
        """Release."""
        self.reset()

    def _set(self, torque: float) -> None:
        self.torque = torque
        if self._delay > 0.0:
            self._pending.append((self._drive.time + self._delay, torque))
        else:
            self._drive.set_brake(torque)

    def _answer(self, bound: float | None = None) -> str:
        return decimal(self.torque if bound is None else bound)
