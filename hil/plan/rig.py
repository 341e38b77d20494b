"""The rig file: one bench, its motor, board, supply and what else is wired."""

from __future__ import annotations

from datetime import date
from typing import Literal

from hil.plan.model import Model
from hil.plan.units import (
    Angle,
    BackEmf,
    Capacitance,
    Current,
    Frequency,
    Inductance,
    Inertia,
    Ratio,
    Resistance,
    Speed,
    Temperature,
    Time,
    Torque,
    Voltage,
)


class Accuracy(Model):
    """Limits of error from the data sheet: ±(reading share + absolute), and the resolution.

    `absolute` and `resolution` are texts with a unit; which one depends on the quantity.
    """

    of_reading: Ratio = 0.0
    absolute: str = ""
    resolution: str = ""


class Motor(Model):
    """Nameplate. Resistance, inductance and back-EMF are stored line to line."""

    name: str
    pole_pairs: int
    back_emf_constant: BackEmf  # peak of the flat top, line to line, per mechanical rad/s
    back_emf_convention: Literal["line-to-line-peak", "line-to-line-rms", "phase-peak"]
    resistance: Resistance
    inductance: Inductance
    winding_convention: Literal["line-to-line", "phase"] = "line-to-line"
    inertia: Inertia  # rotor and everything coupled to it
    rated_voltage: Voltage
    rated_speed: Speed
    rated_current: Current
    max_speed: Speed
    min_speed: Speed


class Usb(Model):
    """A USB serial adapter by what it is, not by the order in which it was plugged in."""

    vendor: str  # four hexadecimal digits
    product: str
    serial: str = ""
    location: str = ""


class BoardLink(Model):
    """Where the board is; exactly one of `by_id`, `usb`, `url`."""

    by_id: str = ""
    usb: Usb | None = None
    url: str = ""
    profile: str  # link profile, path relative to the rig file
    expect_model: str = ""  # identity the board must answer with
    sensing: tuple[Literal["hall", "back-emf"], ...] = ("hall", "back-emf")


class Instrument(Model):
    """A VISA instrument."""

    driver: str = "scpi"
    resource: str
    expect: str = ""  # text that *IDN? must contain
    calibration_due: date | None = None


class SupplyInstrument(Instrument):
    """The bench supply and its limits."""

    voltage: Voltage
    current_limit: Current
    over_voltage_limit: Voltage
    max_voltage: Voltage  # no plan may ask for more
    settle_within: Ratio = 2.0
    settle_time: Time = 2.0
    voltage_accuracy: Accuracy = Accuracy()
    current_accuracy: Accuracy = Accuracy()


class TachometerInstrument(Instrument):
    """Tachometer or encoder counter on the shaft."""

    senses_direction: bool = True
    interval: Time = 0.001
    speed_accuracy: Accuracy = Accuracy()
    position_accuracy: Accuracy = Accuracy()


class BrakeInstrument(Instrument):
    """Brake on the shaft."""

    max_torque: Torque
    delay: Time = 0.0  # from command to torque, for the time uncertainty of the mark


class SwitchInstrument(Instrument):
    """Relays in the signal lines."""

    lines: tuple[str, ...] = ()


class AbortLimits(Model):
    """Beyond any of these the supply is switched off at once, whatever the scenario does."""

    speed: Speed
    current: Current
    dc_link_voltage: Voltage
    temperature: Temperature
    wrong_direction: Angle = 720.0  # travel against the commanded direction, 720 deg = two turns


class Regeneration(Model):
    """Where braking energy goes."""

    absorbed_by: Literal["dc-link-capacitor", "load-resistor", "two-quadrant-supply"]
    dc_link_capacitance: Capacitance


class Telemetry(Model):
    """How good the firmware's own numbers are claimed to be, for uncertainties."""

    speed_accuracy: Accuracy = Accuracy()
    current_accuracy: Accuracy = Accuracy()
    voltage_accuracy: Accuracy = Accuracy()


class PumpLoad(Model):
    """Load torque of the simulated bench: mean, and a part that pulsates with shaft angle."""

    torque: Torque = 0.0
    pulsation: Torque = 0.0
    pulses_per_turn: int = 3


class SimulatedFirmware(Model):
    """What controls the simulated motor."""

    kind: Literal["reference"] = "reference"
    protocol: Literal["lines", "cobs"] = "lines"


class SimulatedBench(Model):
    """What the twin needs beyond the nameplate; real rigs may leave it out."""

    firmware: SimulatedFirmware = SimulatedFirmware()
    load: PumpLoad = PumpLoad()
    coulomb_friction: Torque = 0.002
    viscous_torque_at_rated_speed: Torque = 0.002
    cogging: Torque = 0.001
    flat_top: Angle = 120.0  # electrical degrees of flat back-EMF
    start_angle: Angle = 0.0
    pwm_frequency: Frequency = 20000.0
    supply_resistance: Resistance = 0.05
    ambient: Temperature = 25.0


class Rig(Model):
    """One bench."""

    format: Literal[1]
    rig: str  # name, [a-z0-9.-]
    description: str = ""
    motor: Motor
    board: BoardLink
    supply: SupplyInstrument
    tachometer: TachometerInstrument | None = None
    brake: BrakeInstrument | None = None
    switch: SwitchInstrument | None = None
    limits: AbortLimits
    regeneration: Regeneration
    telemetry: Telemetry = Telemetry()
    twin: SimulatedBench = SimulatedBench()
