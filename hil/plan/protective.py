"""Parameters of the kinds that try out what protects a drive: protection and derating."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from hil.core.alike import nearest
from hil.core.ladder import line_of
from hil.plan.model import Switch
from hil.plan.parameters import Parameters
from hil.plan.read_steps import read_step
from hil.plan.steps import (
    CAUSES,
    FAULTS,
    BrakeOn,
    Dip,
    Glitch,
    SetLine,
    StandIn,
    Step,
    SupplyOn,
    written,
)
from hil.plan.units import Speed, Temperature, Time, Torque


def _known_fault(name: str) -> str:
    if name not in FAULTS:
        raise ValueError(f"unknown fault {name!r}{nearest(name, FAULTS)}")
    return name


FaultName = Annotated[str, AfterValidator(_known_fault)]


def _read_cause(value: object) -> Step:
    step = read_step(value)
    if not isinstance(step, CAUSES):
        raise ValueError(
            f"expected what may bring a fault (brake, supply, dip, open, glitch, temperature, "
            f"silence), found {written(step)}"
        )
    return step


class ProtectionParameters(Parameters):
    """Something is done to a running drive that must bring a fault, or (the partner) must not.

    Parameters
    ----------
    cause : what is done; a step.
    fault : names of which one must be reported, or none.
    hold : s within which the fault comes, or for which the partner endures the cause.
    hold_off : s after which a drive that tries again would; it is watched for twice as long with
        the old command, with zero, and after the clear.
    clear_meanwhile : a clear is tried before the cause has gone.
    """

    speed: Speed
    cause: Annotated[Step, BeforeValidator(_read_cause)]
    fault: Annotated[tuple[FaultName, ...], Field(min_length=1)]
    expect: Literal["trip", "no-trip"]
    hold: Time = 1.0
    hold_off: Time = 0.25  # common practice, no source: back-off times of 100 to 500 ms
    clear_meanwhile: Switch = False

    @property
    def entry(self) -> float:
        """Speed before, rpm."""
        return self.speed

    @property
    def target(self) -> float:
        """The set point, rpm."""
        return self.speed

    def torques(self) -> Iterator[tuple[str, float]]:
        """Of the cause."""
        if isinstance(self.cause, BrakeOn):
            yield "cause", self.cause.torque

    @property
    def by_hand(self) -> bool:
        """Holding the shaft; no hand keeps to a torque that is just inside a limit."""
        return self.expect == "trip"

    def voltages(self) -> Iterator[tuple[str, float]]:
        """Of the cause."""
        if isinstance(self.cause, SupplyOn | Dip) and self.cause.voltage is not None:
            yield "cause", self.cause.voltage

    def lines(self) -> Iterator[tuple[str, str]]:
        """Of the cause."""
        if isinstance(self.cause, SetLine | StandIn | Glitch) and self.cause.line:
            yield "cause", self.cause.line


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
