"""Everything that describes one simulated rig: motor, bridge, DC link, supply, sensing, heat.

SI units; angles in degrees where the name says so. The defaults are a 24 V dosing-pump drive.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields

from hil.core.ladder import rung_of
from hil.twin.load import LoadParameters

#: Lines that the bench can open. With `temperature-sensor` open a fixed resistor takes the place
#: of the sensor of the power stage, see `SensingParameters.substitute_temperature`.
SENSOR_LINE = "temperature-sensor"
LINES = ("hall-a", "hall-b", "hall-c", "phase-a", "phase-b", "phase-c", SENSOR_LINE)


def _check(owner: object, positive: str = "", not_negative: str = "") -> None:
    """Raise ValueError for a named field that is NaN, negative, or zero where it must not be."""
    kind = type(owner).__name__
    for name in positive.split():
        if not getattr(owner, name) > 0:
            raise ValueError(f"{kind}.{name} must be above 0, found {getattr(owner, name)!r}")
    for name in not_negative.split():
        if not getattr(owner, name) >= 0:
            raise ValueError(f"{kind}.{name} must not be negative, found {getattr(owner, name)!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorParameters:
    """Three-phase star-wound motor with trapezoidal back-EMF.

    Parameters
    ----------
    back_emf : V s/rad (mechanical), flat top of the line-to-line voltage per rad/s.
    resistance, inductance : ohm and H between two terminals, at `reference_temperature`.
    flat_width_deg : electrical degrees for which the back-EMF of a phase is flat, 60 to 170.
    inertia : kg m^2, rotor and everything coupled to it.
    viscous : N m s/rad. coulomb : N m. static_ratio : breakaway torque over `coulomb`.
    cogging : N m, amplitude, zero mean, `cogging_cycles` per turn.
    hall_error_deg : electrical degrees by which each sensor sits late.
    hall_order : sensor connected to input A, B, C. hall_inverted : per input.
    phase_order : winding connected to leg A, B, C.
    initial_angle_deg : mechanical angle at power-up.
    """

    pole_pairs: int = 4
    back_emf: float = 0.040
    flat_width_deg: float = 120.0
    resistance: float = 1.2
    inductance: float = 1.4e-3
    inertia: float = 1.5e-5
    viscous: float = 2.0e-6
    coulomb: float = 1.5e-3
    static_ratio: float = 1.2
    cogging: float = 1.0e-3
    cogging_cycles: int = 24
    hall_error_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    hall_order: tuple[int, int, int] = (0, 1, 2)
    hall_inverted: tuple[bool, bool, bool] = (False, False, False)
    phase_order: tuple[int, int, int] = (0, 1, 2)
    initial_angle_deg: float = 0.0

    def __post_init__(self) -> None:
        _check(
            self,
            "pole_pairs back_emf resistance inductance inertia",
            "viscous coulomb cogging cogging_cycles",
        )
        if not 60 <= self.flat_width_deg <= 170:
            raise ValueError(f"flat_width_deg must be 60 to 170, found {self.flat_width_deg!r}")
        if not self.static_ratio >= 1:
            raise ValueError(f"static_ratio must be at least 1, found {self.static_ratio!r}")
        for name in ("hall_order", "phase_order"):
            if sorted(getattr(self, name)) != [0, 1, 2]:
                raise ValueError(f"{name} must name 0, 1 and 2 once each")


@dataclass(frozen=True, slots=True, kw_only=True)
class BridgeParameters:
    """Three half bridges on a DC link.

    Parameters
    ----------
    pwm_hz : Hz. dead_time : s, both gates off after each edge of a synchronous leg.
    on_resistance : ohm of a conducting switch at `reference_temperature`.
    diode_drop, diode_resistance : V and ohm of a conducting diode.
    output_delay : further PWM periods before the firmware's outputs take effect, 0 or 1.
    capacitance : F, DC link. bleeder : ohm across the link, inf for none.
    chopper : ohm of a braking resistor switched on above `chopper_on` V and off below
        `chopper_off` V; inf for none.
    """

    pwm_hz: float = 20_000.0
    dead_time: float = 0.0
    on_resistance: float = 0.012
    diode_drop: float = 0.8
    diode_resistance: float = 0.02
    output_delay: int = 0
    capacitance: float = 2.2e-3
    bleeder: float = 1.0e3
    chopper: float = math.inf
    chopper_on: float = math.inf
    chopper_off: float = math.inf

    def __post_init__(self) -> None:
        _check(
            self,
            "pwm_hz capacitance bleeder chopper",
            "dead_time on_resistance diode_drop diode_resistance",
        )
        if not 1e3 <= self.pwm_hz <= 2e5:
            raise ValueError(f"pwm_hz must be 1 kHz to 200 kHz, found {self.pwm_hz!r}")
        if self.output_delay not in (0, 1):
            raise ValueError(f"output_delay must be 0 or 1, found {self.output_delay!r}")
        if self.dead_time * self.pwm_hz >= 0.25:
            raise ValueError("dead_time must be below a quarter of the PWM period")
        if self.chopper_off > self.chopper_on:
            raise ValueError("chopper_off lies above chopper_on")


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyParameters:
    """The bench supply and its leads.

    Parameters
    ----------
    resistance : ohm between the supply's terminals and the DC link; above 0.
    slew : V/s of the source when its set point changes.
    two_way : whether it can sink current (up to its current limit) as well.
    """

    resistance: float = 0.05
    slew: float = 2000.0
    two_way: bool = False

    def __post_init__(self) -> None:
        _check(self, "resistance slew")


@dataclass(frozen=True, slots=True, kw_only=True)
class SensingParameters:
    """Shunts, dividers and the converter behind them.

    A reading is ``round((gain * true + offset + noise) / step) * step``, limited to the range.

    Parameters
    ----------
    current_range : A, plus and minus. current_bits : of the converter, 0 for no quantisation.
    voltage_range : V, from 0. voltage_bits : likewise.
    *_gain : 1 when ideal. *_offset, *_noise : A or V, noise as standard deviation.
    phase_shunts : whether the board measures phase currents; else they read NaN.
    comparator : A on the DC-link shunt above which the trip input goes high, inf for none.
    amplifier_hz : bandwidth (-3 dB) of the first-order amplifiers behind the current shunts, inf
        for none. The comparator sits on the shunt itself.
    sampling_delay : s by which the converter samples after the middle of the PWM period.
    substitute_temperature : degC that the resistor in place of the stage's sensor stands for.
    open_sensor, shorted_sensor : degC that the board takes a broken sensor for; one whose
        resistance falls as it warms, fed through a resistor, reads cold when open.
    """

    current_range: float = 40.0
    current_bits: int = 12
    current_gain: float = 1.0
    current_offset: float = 0.0
    current_noise: float = 0.01
    voltage_range: float = 60.0
    voltage_bits: int = 12
    voltage_gain: float = 1.0
    voltage_offset: float = 0.0
    voltage_noise: float = 0.01
    phase_shunts: bool = False
    comparator: float = math.inf
    amplifier_hz: float = math.inf
    sampling_delay: float = 0.0
    substitute_temperature: float = 87.0
    open_sensor: float = -60.0
    shorted_sensor: float = 175.0

    def __post_init__(self) -> None:
        _check(
            self,
            "current_range current_gain voltage_range voltage_gain comparator amplifier_hz",
            "current_bits current_noise voltage_bits voltage_noise",
        )

    def in_place_of_sensor(self, line: str) -> float | None:
        """What the stage's sensor reads while `line` is open, degC; None if it is not concerned."""
        if line == SENSOR_LINE:
            return self.substitute_temperature
        rung = rung_of(line)
        broken = {"open": self.open_sensor, "short": self.shorted_sensor}
        return broken[rung] if isinstance(rung, str) else rung

    @classmethod
    def ideal(cls, *, phase_shunts: bool = False) -> SensingParameters:
        """No range in practice, no quantisation, no noise."""
        return cls(
            current_range=1e6,
            current_bits=0,
            current_noise=0.0,
            voltage_range=1e6,
            voltage_bits=0,
            voltage_noise=0.0,
            phase_shunts=phase_shunts,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatParameters:
    """Two thermal nodes for the motor, two for the power stage.

    Winding to housing to ambient, and junctions to heat sink to ambient: thermal resistances in
    K/W, capacities in J/K, temperatures in degrees Celsius.

    Parameters
    ----------
    reference_temperature : where resistances and the back-EMF constant are given.
    magnet_coefficient : 1/K, change of the back-EMF constant; the magnets are as warm as the
        housing. switch_coefficient : 1/K of the on-resistance.
    """

    ambient: float = 25.0
    reference_temperature: float = 25.0
    winding_resistance: float = 2.0
    winding_capacity: float = 25.0
    housing_resistance: float = 5.0
    housing_capacity: float = 150.0
    junction_resistance: float = 2.0
    junction_capacity: float = 0.5
    sink_resistance: float = 8.0
    sink_capacity: float = 40.0
    magnet_coefficient: float = -0.0011
    switch_coefficient: float = 0.004

    def __post_init__(self) -> None:
        nodes = [one.name for one in fields(self) if one.name.endswith(("resistance", "capacity"))]
        _check(self, " ".join(nodes))
        if not -60 <= self.ambient <= 150:
            raise ValueError(f"ambient must be -60 to 150 degC, found {self.ambient!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveParameters:
    """One simulated rig."""

    motor: MotorParameters = field(default_factory=MotorParameters)
    bridge: BridgeParameters = field(default_factory=BridgeParameters)
    supply: SupplyParameters = field(default_factory=SupplyParameters)
    sensing: SensingParameters = field(default_factory=SensingParameters)
    heat: HeatParameters = field(default_factory=HeatParameters)
    load: LoadParameters = field(default_factory=LoadParameters)
    baud: int = 230_400

    def __post_init__(self) -> None:
        _check(self, "baud")
        delay = self.sensing.sampling_delay
        if not abs(delay) * self.bridge.pwm_hz < 0.5:
            raise ValueError(f"sampling_delay must be within half a PWM period, found {delay!r} s")
