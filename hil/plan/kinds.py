"""Kinds of scenario and their parameters."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from hil.plan.model import Model, Switch
from hil.plan.parameters import Parameters
from hil.plan.protective import DeratingParameters, ProtectionParameters
from hil.plan.read_steps import read_step
from hil.plan.source import Where, Within
from hil.plan.steps import (
    BrakeOn,
    Dip,
    Glitch,
    SetLine,
    SetSpeed,
    StandIn,
    Start,
    Step,
    SupplyOn,
    Sweep,
    WaitForSpeed,
)
from hil.plan.units import Speed, Time, Torque


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
        asked = [step.speed for step in self.steps if isinstance(step, Start | SetSpeed | Sweep)]
        return asked[-1] if asked else 0.0

    def speeds(self) -> Iterator[tuple[str, float]]:
        """Those of all steps."""
        for step in self.steps:
            if isinstance(step, Start | SetSpeed | Sweep | WaitForSpeed):
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
            if isinstance(step, SetLine | StandIn | Glitch) and step.line:
                yield "steps", step.line


def glitches(parameters: Parameters) -> Iterator[Glitch]:
    """All short breaks of a line."""
    if isinstance(parameters, StepsParameters):
        yield from (step for step in parameters.steps if isinstance(step, Glitch))
    elif isinstance(parameters, ProtectionParameters) and isinstance(parameters.cause, Glitch):
        yield parameters.cause


KINDS: dict[str, type[Parameters]] = {
    "start": StartParameters,
    "reversal": ReversalParameters,
    "stall": StallParameters,
    "speed-step": SpeedStepParameters,
    "protection": ProtectionParameters,
    "derating": DeratingParameters,
    "steps": StepsParameters,
}
