"""Kinds of scenario and their parameters, and the conditions any of them is run under."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from hil.core.ladder import line_of
from hil.plan.model import Model, Switch
from hil.plan.source import Where, Within
from hil.plan.steps import (
    BrakeOn,
    Dip,
    SetLine,
    SetSpeed,
    StandIn,
    Start,
    Step,
    SupplyOn,
    WaitForSpeed,
    read_step,
)
from hil.plan.units import Ratio, Speed, Temperature, Time, Torque, Voltage


class ItemConditions(Model):
    """What an item is run under; `supply` None is the rig's own voltage."""

    direction: Literal["cw", "ccw"] = "cw"
    sensing: Literal["hall", "back-emf"] | None = None  # None: the first that the rig offers
    supply: Voltage | None = None
    load: Torque = 0.0  # brake torque held throughout


class Parameters(Model):
    """Common to all kinds.

    Parameters
    ----------
    tolerance : half-width of the band that counts as 'at speed', % of the target.
    within : s that reaching a speed may take before the manoeuvre gives up waiting.
    """

    tolerance: Ratio = 5.0
    within: Time = 5.0

    @property
    def entry(self) -> float:
        """Speed before the manoeuvre, rpm."""
        return 0.0

    @property
    def target(self) -> float:
        """Speed the manoeuvre leads to, rpm, positive."""
        raise NotImplementedError

    def speeds(self) -> Iterator[tuple[str, float]]:
        """Key and value of every speed that will be asked for, rpm."""
        yield "speed", self.target

    def torques(self) -> Iterator[tuple[str, float]]:
        """Key and value of every brake torque that will be asked for, N m."""
        return iter(())

    @property
    def by_hand(self) -> bool:
        """Whether a person can stand in for the brake: where any torque from `torques` on does."""
        return False

    def voltages(self) -> Iterator[tuple[str, float]]:
        """Key and value of every supply voltage that will be asked for on the way, V."""
        return iter(())

    def lines(self) -> Iterator[tuple[str, str]]:
        """Key and name of every line of the signal switch that is used."""
        return iter(())


class StartParameters(Parameters):
    """From standstill to a speed, then `hold` seconds of steady running."""

    speed: Speed
    hold: Time = 0.8

    @property
    def target(self) -> float:
        """The speed, rpm."""
        return self.speed


class ReversalParameters(Parameters):
    """From a speed to one in the other direction, then `hold` seconds of steady running."""

    entry_speed: Speed
    speed: Speed
    hold: Time = 0.8

    @property
    def entry(self) -> float:
        """Speed before, rpm."""
        return self.entry_speed

    @property
    def target(self) -> float:
        """Speed afterwards, rpm, positive."""
        return self.speed

    def speeds(self) -> Iterator[tuple[str, float]]:
        """Both."""
        yield "entry-speed", self.entry_speed
        yield "speed", self.speed


class StallParameters(Parameters):
    """A braked shaft: must trip, or (the partner) must not.

    Parameters
    ----------
    hold : s for which the brake stays on at most.
    watch : s after the release in which a drive that restarts by itself is caught.
    from_standstill : the brake holds the shaft before the start command.
    """

    speed: Speed
    brake_torque: Torque
    expect: Literal["trip", "no-trip"]
    hold: Time = 1.5
    watch: Time = 0.5
    from_standstill: Switch = False

    @property
    def entry(self) -> float:
        """Speed before the brake is applied, rpm."""
        return 0.0 if self.from_standstill else self.speed

    @property
    def target(self) -> float:
        """The set point, rpm."""
        return self.speed

    def torques(self) -> Iterator[tuple[str, float]]:
        """The brake torque."""
        yield "brake-torque", self.brake_torque

    @property
    def by_hand(self) -> bool:
        """Holding the shaft; no hand keeps to a torque that is just inside a limit."""
        return self.expect == "trip"

    @model_validator(mode="after")
    def _brakes(self) -> StallParameters:
        if self.brake_torque <= 0.0:
            raise ValueError("brake-torque: expected more than zero, found 0")
        if self.from_standstill and self.expect == "no-trip":
            raise ValueError("from-standstill: a drive held at standstill must trip")
        return self


class Saturation(Model):
    """Drive the controller into its limit: brake on, step, `hold` seconds, brake off."""

    brake_torque: Torque
    hold: Time


class SpeedStepParameters(Parameters):
    """From one speed to another, then `hold` seconds of steady running."""

    from_speed: Annotated[Speed, Field(alias="from")]
    to_speed: Annotated[Speed, Field(alias="to")]
    hold: Time = 0.8
    saturate: Saturation | None = None

    @property
    def entry(self) -> float:
        """Speed before, rpm."""
        return self.from_speed

    @property
    def target(self) -> float:
        """Speed afterwards, rpm."""
        return self.to_speed

    def speeds(self) -> Iterator[tuple[str, float]]:
        """Both."""
        yield "from", self.from_speed
        yield "to", self.to_speed

    def torques(self) -> Iterator[tuple[str, float]]:
        """The brake torque of the saturation."""
        if self.saturate is not None:
            yield "saturate", self.saturate.brake_torque

    @model_validator(mode="after")
    def _steps(self) -> SpeedStepParameters:
        if self.from_speed == self.to_speed:
            raise ValueError(f"from and to are both {self.to_speed:g} rpm: that is no step")
        if self.saturate is not None and self.to_speed < self.from_speed:
            raise ValueError("saturate: a brake saturates a step up, not a step down")
        return self


class DeratingParameters(Parameters):
    """The current that a drive gives at each temperature of its power stage.

    At each temperature, which a rung of the ladder stands for, the brake holds the running shaft
    for a moment, so that the current rises to its limit.

    Parameters
    ----------
    brake_torque : more than the drive can give when cold.
    temperatures : degC, rising.
    soak : s from a temperature on until the brake acts. hold : s for which it does.
    """

    speed: Speed
    brake_torque: Torque
    temperatures: Annotated[tuple[Temperature, ...], Field(min_length=2)]
    soak: Time = 0.05
    hold: Time = 0.12

    @property
    def entry(self) -> float:
        """Speed before each braking, rpm."""
        return self.speed

    @property
    def target(self) -> float:
        """The set point, rpm."""
        return self.speed

    def torques(self) -> Iterator[tuple[str, float]]:
        """The brake torque."""
        yield "brake-torque", self.brake_torque

    def lines(self) -> Iterator[tuple[str, str]]:
        """The rungs."""
        for degrees in self.temperatures:
            yield "temperatures", line_of(degrees)

    @model_validator(mode="after")
    def _rises(self) -> DeratingParameters:
        for before, after in pairwise(self.temperatures):
            if after <= before:
                raise ValueError(
                    f"temperatures: expected them to rise, found {after:g} degC after "
                    f"{before:g} degC"
                )
        if self.brake_torque <= 0.0:
            raise ValueError("brake-torque: expected more than zero, found 0")
        return self


def _read_steps(value: object) -> object:
    if not isinstance(value, list):
        return value
    steps: list[Step] = []
    wrong: list[tuple[Where, str]] = []
    for number, raw in enumerate(value):
        try:
            steps.append(read_step(raw))
        except ValueError as error:
            wrong.append(((number,), str(error)))
    if wrong:
        raise Within(wrong)
    return tuple(steps)


class StepsParameters(Parameters):
    """A list of primitive steps, run in order."""

    steps: Annotated[tuple[Step, ...], BeforeValidator(_read_steps), Field(min_length=1)]

    @property
    def target(self) -> float:
        """The last speed asked for, rpm; 0 if none is."""
        asked = [step.speed for step in self.steps if isinstance(step, Start | SetSpeed)]
        return asked[-1] if asked else 0.0

    def speeds(self) -> Iterator[tuple[str, float]]:
        """Those of all steps."""
        for step in self.steps:
            if isinstance(step, Start | SetSpeed | WaitForSpeed):
                yield "steps", step.speed

    def torques(self) -> Iterator[tuple[str, float]]:
        """Those of all steps."""
        for step in self.steps:
            if isinstance(step, BrakeOn):
                yield "steps", step.torque

    @property
    def by_hand(self) -> bool:
        """A person reads the torque and does what can be done."""
        return True

    def voltages(self) -> Iterator[tuple[str, float]]:
        """Those of all steps that name one."""
        for step in self.steps:
            if isinstance(step, SupplyOn | Dip) and step.voltage is not None:
                yield "steps", step.voltage

    def lines(self) -> Iterator[tuple[str, str]]:
        """Those of all steps."""
        for step in self.steps:
            if isinstance(step, SetLine | StandIn) and step.line:
                yield "steps", step.line


KINDS: dict[str, type[Parameters]] = {
    "start": StartParameters,
    "reversal": ReversalParameters,
    "stall": StallParameters,
    "speed-step": SpeedStepParameters,
    "derating": DeratingParameters,
    "steps": StepsParameters,
}
