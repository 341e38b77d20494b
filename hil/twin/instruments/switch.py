"""Simulated signal switch: relays in the board's Hall, phase and sensor lines."""

from __future__ import annotations

from hil.twin.drive_like import DriveLike
from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.parameters import channel_list, number

#: Shortest and longest break that it can time, s.
PULSE = (1e-6, 10.0)
#: Channel 1, 2, ... of the switch.
LINES = ("hall-a", "hall-b", "hall-c", "phase-a", "phase-b", "phase-c", "temperature-sensor")


class SimulatedSwitch(SimulatedInstrument):
    """Channels 1, 2, ... close the lines in their order; all are closed after power-on."""

    def __init__(
        self, drive: DriveLike, lines: tuple[str, ...] = LINES, serial: str = "SIM-0001"
    ) -> None:
        super().__init__("switch", "SIM-SWITCH", serial)
        self._drive, self.lines = drive, lines
        self.closed = dict.fromkeys(lines, True)
        channels = channel_list(1, len(lines))
        self.tree.add("ROUTe:CLOSe", lambda found: self._set(found, closed=True), channels)
        self.tree.add("ROUTe:OPEN", lambda found: self._set(found, closed=False), channels)
        self.tree.add("ROUTe:CLOSe?", lambda found: self._answer(found, closed=True), channels)
        self.tree.add("ROUTe:OPEN?", lambda found: self._answer(found, closed=False), channels)
        self.tree.add("ROUTe:PULSe", self._pulse, number(*PULSE, "S"), channels)
        self.reset()

    def reset(self) -> None:
        """Close all lines."""
        self._set(tuple(range(1, len(self.lines) + 1)), closed=True)

    def _set(self, channels: tuple[int, ...], *, closed: bool) -> None:
        for channel in channels:
            line = self.lines[channel - 1]
            self.closed[line] = closed
            self._drive.set_line(line, closed)

    def _pulse(self, seconds: float, channels: tuple[int, ...]) -> None:
        for channel in channels:
            self._drive.break_line(self.lines[channel - 1], seconds)

    def _answer(self, channels: tuple[int, ...], *, closed: bool) -> str:
        return ",".join(str(int(self.closed[self.lines[c - 1]] is closed)) for c in channels)
