"""What a scenario written in Python may ask for on its rig, checked before anything is done.

As a plan is held against its rig when it is collected. What is wrong here is the test's mistake:
it says nothing about the firmware or the bench.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from numbers import Real

from hil.core.alike import nearest
from hil.core.drive import Direction, Sensing
from hil.core.errors import NotOffered, ScenarioError
from hil.core.measure import Measure
from hil.plan.checks import LINES
from hil.plan.rig import Rig


class Measured(dict[str, Measure]):
    """Measures of one manoeuvre by name; one that it has not is a mistake of the test."""

    def __init__(self, kind: str, found: Iterable[Measure]) -> None:
        super().__init__((one.name, one) for one in found)
        self.kind = kind

    def __missing__(self, name: object) -> Measure:
        """Tell the name that may have been meant.

        Raises
        ------
        ScenarioError
        """
        hint = nearest(str(name), self)
        raise ScenarioError(f"measured: expected a measure of a {self.kind}, found {name!r}{hint}")


def number(name: str, value: object, unit: str, *, above: float = -math.inf) -> float:
    """A finite number above `above`.

    Raises
    ------
    ScenarioError
    """
    if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(value):
        within = f" in {unit}" if unit != "1" else ""
        raise ScenarioError(f"{name}: expected a number{within}, found {value!r}")
    if value <= above:
        raise ScenarioError(f"{name}: expected more than {above:g} {unit}, found {value:g} {unit}")
    return float(value)


def lasting(name: str, value: object, unit: str = "s") -> float:
    """A time in s (or what `unit` says), zero or more; ScenarioError else."""
    seconds = number(name, value, unit)
    if seconds < 0.0:
        raise ScenarioError(f"{name}: expected 0 {unit} or more, found {seconds:g} {unit}")
    return seconds


def word(name: str, value: object, words: Iterable[str]) -> str:
    """One of `words`; ScenarioError else."""
    known = [str(one) for one in words]
    if value not in known:
        expected = " or ".join(", ".join(map(repr, known)).rsplit(", ", 1))
        raise ScenarioError(f"{name}: expected {expected}, found {value!r}")
    return str(value)


def sign(value: object) -> int:
    """+1 for ``cw``, -1 for ``ccw``; ScenarioError else."""
    words = {direction.word: int(direction) for direction in Direction}
    return words[word("direction", value, words)]


class Asked:
    """What may be asked for on a rig; every method gives the value back if it may."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig

    def voltage(self, value: object) -> float:
        """Supply voltage, V; ScenarioError beyond what the rig file allows a plan."""
        voltage, most = number("voltage", value, "V", above=0.0), self.rig.supply.max_voltage
        if voltage > most:
            raise ScenarioError(
                f"voltage: expected at most {most:g} V (max-voltage of the supply of rig "
                f"{self.rig.rig}), found {voltage:g} V"
            )
        return voltage

    def speed(self, value: object) -> float:
        """Speed, rpm, positive; ScenarioError beyond what the motor of the rig file allows."""
        speed, motor = number("speed", value, "rpm"), self.rig.motor
        if not motor.min_speed <= speed <= motor.max_speed:
            raise ScenarioError(
                f"speed: expected {motor.min_speed:g} to {motor.max_speed:g} rpm (min-speed and "
                f"max-speed of the motor of rig {self.rig.rig}), found {speed:g} rpm"
            )
        return speed

    def torque(self, value: object) -> float:
        """Brake torque, N m; ScenarioError beyond what the brake can."""
        torque, brake = number("torque", value, "N*m", above=0.0), self.rig.brake
        if brake is not None and torque > brake.max_torque:
            raise ScenarioError(
                f"torque: expected at most {brake.max_torque:g} N*m (max-torque of the brake of "
                f"rig {self.rig.rig}), found {torque:g} N*m"
            )
        return torque

    def sensing(self, value: object) -> Sensing:
        """A sensing method; ScenarioError if it is none, NotOffered if the board has not got it."""
        sensing = word("sensing", value, Sensing)
        if sensing not in self.rig.board.sensing:
            raise NotOffered(
                f"rig {self.rig.rig} has no sensing {sensing} (board.sensing: "
                f"{', '.join(self.rig.board.sensing)})"
            )
        return Sensing(sensing)

    def line(self, value: object) -> str:
        """A line of the signal switch; NotOffered where none is wired, ScenarioError if no line."""
        switch = self.rig.switch
        line = word("line", value, LINES if switch is None else switch.every_line)
        if switch is None:
            raise NotOffered(
                f"no signal switch wired on rig {self.rig.rig} to open and close {line}"
            )
        return line

    def refused(self, command: object, value: object) -> float | str:
        """A command that the board must refuse and its value, which may lie beyond any limit."""
        what = word("command", command, ("start", "set-speed", "sensing", "clear"))
        if what != "sensing":
            return 0.0 if what == "clear" else number("value", value, "rpm")
        sensing = word("value", value, Sensing)
        if self.rig.profile.sensing:
            raise NotOffered(
                f"link profile {self.rig.profile.name} of rig {self.rig.rig} has no command "
                f"select-sensing (sensing: {self.rig.profile.sensing}) that the board could refuse"
            )
        return sensing
