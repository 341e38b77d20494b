"""What the simulated bench needs beyond the nameplate; real rigs may leave it out."""

from __future__ import annotations

from typing import Literal

from pydantic import model_validator

from hil.plan.firmware import SimulatedFirmware
from hil.plan.model import Count, Model, Switch
from hil.plan.population import Population
from hil.plan.simulated_board import (
    Ambient,
    FlatTop,
    Heat,
    Measuring,
    PowerStage,
    PwmFrequency,
    SomeResistance,
    Wiring,
)
from hil.plan.units import Angle, Temperature, Time, Torque


class PumpLoad(Model):
    """Load torque of the simulated bench: mean, and a part that pulsates with shaft angle."""

    torque: Torque = 0.0
    pulsation: Torque = 0.0
    pulses_per_turn: Count = 3


class SimulatedOperator(Model):
    """A person on the simulated bench, for trying attended steps out.

    `acts_after`, `answers_after`: s from the question on.
    """

    acts_after: Time = 0.4
    answers_after: Time = 1.0
    answer: Literal["done", "cannot", "stop", "nothing"] = "done"


class SimulatedBench(Model):
    """What the twin needs beyond the nameplate; real rigs may leave it out."""

    firmware: SimulatedFirmware = SimulatedFirmware()
    load: PumpLoad = PumpLoad()
    coulomb_friction: Torque = 0.002
    viscous_torque_at_rated_speed: Torque = 0.002
    cogging: Torque = 0.001
    flat_top: FlatTop = 120.0  # electrical degrees of flat back-EMF
    start_angle: Angle | None = None  # None: drawn from the seed
    load_resistor: SomeResistance = 10.0  # across the DC link, where one absorbs braking energy
    pwm_frequency: PwmFrequency = 20000.0
    supply_resistance: SomeResistance = 0.05
    power_stage: PowerStage = PowerStage()
    measuring: Measuring = Measuring()
    heat: Heat = Heat()
    wiring: Wiring = Wiring()
    phase_shunts: Switch = False  # the board measures its phase currents
    substitute_temperature: Temperature = 87.0  # of the resistor that stands in for the sensor
    operator: SimulatedOperator | None = None
    ambient: Ambient = 25.0
    population: Population = Population()

    @model_validator(mode="after")
    def _within_a_period(self) -> SimulatedBench:
        period = 1.0 / self.pwm_frequency
        for name, time, share in (
            ("power-stage: dead-time", self.power_stage.dead_time, 0.25),
            ("measuring: sampling-delay", self.measuring.sampling_delay, 0.5),
        ):
            if time is not None and time >= share * period:
                raise ValueError(
                    f"{name} must be below {share:g} of the PWM period, "
                    f"{share * period * 1e6:.4g} us, found {time * 1e6:.4g} us"
                )
        return self
