"""Tolerances within which healthy rigs of one kind differ, as rig files state them.

Every tolerance names its distribution: ``rectangular``, anything within the limits alike, or
``normal``, cut off at the limits, which lie at three standard deviations.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, model_validator

from hil.plan.model import Model
from hil.plan.simulated_board import Ambient
from hil.plan.units import Angle, CurrentLimit, Ratio

Distribution = Literal["rectangular", "normal"]


def _below_all(value: float) -> float:
    if value >= 100.0:
        raise ValueError(f"expected less than 100 %, found {value:g} %: nothing would be left")
    return value


def _not_negative(value: float) -> float:
    if value < 0.0:
        raise ValueError(f"expected zero or more, found {value:g} deg")
    return value


class Spread(Model):
    """A tolerance: plus and minus `within` about the value that the rig file gives."""

    within: float
    distribution: Distribution


class ShareSpread(Spread):
    """Plus and minus a share of the value, %."""

    within: Annotated[Ratio, AfterValidator(_below_all)]


class ReadingSpread(Spread):
    """Plus and minus a share of the limits in an instrument's data sheet, %; 100 % is all of it."""

    within: Ratio


class AngleSpread(Spread):
    """Plus and minus an angle, mechanical degrees."""

    within: Annotated[Angle, AfterValidator(_not_negative)]


class CurrentSpread(Spread):
    """Plus and minus a current, A."""

    within: CurrentLimit


class TemperatureRange(Model):
    """From one temperature to another, degC."""

    min: Ambient
    max: Ambient
    distribution: Distribution

    @model_validator(mode="after")
    def _in_order(self) -> TemperatureRange:
        if self.min > self.max:
            raise ValueError(f"min {self.min:g} degC lies above max {self.max:g} degC")
        return self


class Population(Model):
    """What differs from one healthy rig to the next; what is left out does not.

    Of `load` the mean and the pulsation go together. `friction` is drawn twice, for the constant
    and for the viscous part, `hall_placement` once for each sensor, and `supply_readback` for gain
    and offset of voltage and current. The shaft angle at power-up needs no entry: it is anywhere
    in the turn, anew for every item, unless the rig file fixes it.
    """

    back_emf_constant: ShareSpread | None = None
    resistance: ShareSpread | None = None
    inductance: ShareSpread | None = None
    inertia: ShareSpread | None = None
    friction: ShareSpread | None = None
    cogging: ShareSpread | None = None
    hall_placement: AngleSpread | None = None
    load: ShareSpread | None = None
    shunt_gain: ShareSpread | None = None
    shunt_offset: CurrentSpread | None = None
    voltage_gain: ShareSpread | None = None
    adc_noise: ShareSpread | None = None
    supply_resistance: ShareSpread | None = None
    supply_readback: ReadingSpread | None = None
    ambient: TemperatureRange | None = None
