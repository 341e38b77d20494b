"""The board of the simulated bench: power stage, what it measures, how it warms, how it is wired.

What is left out is as `hil.twin.parameters` has it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from hil.plan.model import Model
from hil.plan.units import (
    Angle,
    Current,
    CurrentLimit,
    Frequency,
    HeatCapacity,
    Resistance,
    Temperature,
    ThermalResistance,
    Time,
    Voltage,
    VoltageLimit,
)

Letter = Literal["a", "b", "c"]


def _each_once(letters: tuple[Letter, ...]) -> tuple[Letter, ...]:
    if sorted(letters) != ["a", "b", "c"]:
        raise ValueError(f"expected a, b and c once each, found {', '.join(letters) or 'none'}")
    return letters


def _between(low: float, high: float, unit: str) -> Callable[[float], float]:
    def check(value: float) -> float:
        if not low <= value <= high:
            raise ValueError(f"expected {low:g} to {high:g} {unit}, found {value:g} {unit}")
        return value

    return check


def _not_zero(value: float) -> float:
    if value == 0.0:
        raise ValueError("expected more than zero, found 0 ohm")
    return value


# Ranges that the simulation is made for.
FlatTop = Annotated[Angle, AfterValidator(_between(60.0, 170.0, "deg"))]
PwmFrequency = Annotated[Frequency, AfterValidator(_between(1e3, 2e5, "Hz"))]
Ambient = Annotated[Temperature, AfterValidator(_between(-60.0, 150.0, "degC"))]
SomeResistance = Annotated[Resistance, AfterValidator(_not_zero)]
Order = Annotated[tuple[Letter, ...], AfterValidator(_each_once)]
Bits = Annotated[int, Field(ge=0, le=24)]


class PowerStage(Model):
    """Three half bridges.

    `dead_time`: s, both gates off after each edge. `output_delay`: further PWM periods until what
    the firmware commands takes effect. `bleeder`: ohm across the DC link.
    """

    on_resistance: Resistance | None = None
    diode_drop: Voltage | None = None
    diode_resistance: Resistance | None = None
    dead_time: Time | None = None
    output_delay: Literal[0, 1] | None = None
    bleeder: SomeResistance | None = None


class Measuring(Model):
    """Shunts, dividers and converter.

    Ranges are plus and minus for currents, from zero for voltages; 0 bits: no steps. Noise is a
    standard deviation. `comparator`: A on the DC-link shunt above which the trip input goes high.
    `amplifier_bandwidth`: Hz, of the amplifiers behind the shunts. `sampling_delay`: s by which
    the converter samples after the middle of the PWM period.
    """

    current_range: Current | None = None
    current_bits: Bits | None = None
    current_noise: CurrentLimit | None = None
    voltage_range: Voltage | None = None
    voltage_bits: Bits | None = None
    voltage_noise: VoltageLimit | None = None
    comparator: Current | None = None
    amplifier_bandwidth: Frequency | None = None
    sampling_delay: Time | None = None


class Heat(Model):
    """Winding to housing to ambient, and junctions to heat sink to ambient."""

    winding_resistance: ThermalResistance | None = None
    winding_capacity: HeatCapacity | None = None
    housing_resistance: ThermalResistance | None = None
    housing_capacity: HeatCapacity | None = None
    junction_resistance: ThermalResistance | None = None
    junction_capacity: HeatCapacity | None = None
    sink_resistance: ThermalResistance | None = None
    sink_capacity: HeatCapacity | None = None


class Wiring(Model):
    """What is connected to inputs and legs A, B, C of the board, in this order.

    `hall_inverted`: inputs whose sensor is high where it should be low. `hall_late`: mechanical
    degrees by which the sensors of the motor sit late.
    """

    hall_order: Order = ("a", "b", "c")
    hall_inverted: tuple[Letter, ...] = ()
    hall_late: tuple[Angle, Angle, Angle] = (0.0, 0.0, 0.0)
    phase_order: Order = ("a", "b", "c")
