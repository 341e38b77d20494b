"""The primitive steps for scenarios written in Python: each is held against the rig first."""

from __future__ import annotations

from hil.bench.bench import Bench
from hil.core.verdict import Doubt
from hil.plan.reach import beyond_voltage
from hil.plan.rig import Rig
from hil.scenarios.act import refuse_unsafe_reversal
from hil.scenarios.asked import Asked, lasting
from hil.scenarios.steps import Steps


class ScriptSteps(Steps):
    """`Steps` that refuse, as a mistake of the test, what a plan could not ask for on the rig.

    Every method may raise `ScenarioError`, before it does anything; see `hil.scenarios.asked`.
    A reversal that could raise the DC link too far is a `BenchError`, as in a plan.

    Attributes
    ----------
    doubts : one for each speed asked for that the supply voltage cannot give, and noted as a step.
    """

    def __init__(self, bench: Bench, rig: Rig) -> None:
        super().__init__(bench)
        self._asked, self._rig = Asked(rig), rig
        self.doubts: list[Doubt] = []

    def supply(self, voltage: float) -> None:
        """As `Steps.supply`."""
        voltage = self._asked.voltage(voltage)
        self._within_reach(abs(self.set_point), voltage)
        super().supply(voltage)

    def dip(self, voltage: float, seconds: float, edge: float = 0.0) -> None:
        """As `Steps.dip`."""
        voltage, edge = self._asked.voltage(voltage), lasting("edge", edge, "V/s")
        super().dip(voltage, lasting("seconds", seconds), edge)

    def ready(self, sensing: str) -> None:
        """As `Steps.ready`."""
        super().ready(self._asked.sensing(sensing).value)

    def start(self, speed: float, *, mark: str = "command") -> None:
        """As `Steps.start`."""
        self._checked(speed)
        super().start(speed, mark=mark)

    def set_speed(self, speed: float) -> None:
        """As `Steps.set_speed`."""
        self._checked(speed)
        super().set_speed(speed)

    def sweep(self, speed: float, seconds: float) -> None:
        """As `Steps.sweep`."""
        self._checked(speed)
        super().sweep(speed, lasting("seconds", seconds))

    def expect_refusal(self, command: str, value: float | str = 0.0) -> None:
        """As `Steps.expect_refusal`."""
        super().expect_refusal(command, self._asked.refused(command, value))

    def brake(self, torque: float, *, mark: str = "brake-on") -> None:
        """As `Steps.brake`."""
        super().brake(self._asked.torque(torque), mark=mark)

    def set_line(self, line: str, closed: bool) -> None:
        """As `Steps.set_line`."""
        super().set_line(self._asked.line(line), closed)

    def glitch(self, line: str, seconds: float, *, times: int = 1, every: float = 0.0) -> None:
        """As `Steps.glitch`."""
        line, seconds = self._asked.line(line), lasting("seconds", seconds)
        super().glitch(line, seconds, times=times, every=lasting("every", every))

    def stand_in(self, line: str) -> None:
        """As `Steps.stand_in`."""
        super().stand_in(self._asked.line(line) if line else line)

    def _checked(self, speed: float) -> None:
        asked = -speed if isinstance(speed, int | float) and speed < 0.0 else speed
        self._within_reach(self._asked.speed(asked), self.voltage)
        if speed * self.set_point < 0.0:
            refuse_unsafe_reversal(self._rig, entry=abs(self.set_point), voltage=self.voltage)

    def _within_reach(self, speed: float, voltage: float) -> None:
        text = beyond_voltage(self._rig, speed=speed, voltage=voltage) if voltage else ""
        doubt = Doubt("test and rig file", text)
        if text and doubt not in self.doubts:
            self.say(text)
            self.doubts.append(doubt)
