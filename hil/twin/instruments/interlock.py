"""Simulated digital inputs: emergency stop and guard contacts."""

from __future__ import annotations

from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.parameters import channel_list

INPUTS = 8


class SimulatedInterlock(SimulatedInstrument):
    """Inputs 1 to 8 read 1 while their circuit is closed.

    Attributes
    ----------
    closed : input -> whether its circuit is closed; all are until somebody opens one.
    """

    def __init__(self, serial: str = "SIM-0001") -> None:
        super().__init__("interlock", "SIM-INTERLOCK", serial)
        self.closed = dict.fromkeys(range(1, INPUTS + 1), True)
        self.tree.add("[SENSe:]DIGital:DATA[:VALue]?", self._answer, channel_list(1, INPUTS))

    def _answer(self, inputs: tuple[int, ...]) -> str:
        return ",".join(str(int(self.closed[number])) for number in inputs)
