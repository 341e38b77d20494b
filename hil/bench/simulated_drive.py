"""The motor and the board of a rig file as parameters of the simulated drive."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from hil.plan.model import Model
from hil.plan.rig import Rig
from hil.twin.load import LoadParameters
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    HeatParameters,
    MotorParameters,
    SensingParameters,
    SupplyParameters,
)

_T = TypeVar("_T")

_PLACES = ("a", "b", "c")
#: Words of rig files that are not those of the simulation.
_MEASURING = {"amplifier_bandwidth": "amplifier_hz"}


def _stated(part: Model) -> dict[str, Any]:
    """What the rig file says of a part of the board; the rest is as the simulation has it."""
    return part.model_dump(exclude_none=True)


def _three(values: Iterable[_T]) -> tuple[_T, _T, _T]:
    a, b, c = values
    return a, b, c


def drive_parameters(rig: Rig, seed: int) -> DriveParameters:
    """Nameplate and twin section of a rig file as simulation parameters.

    The shaft angle at power-up is drawn from `seed` unless the rig file fixes it: a motor that is
    switched off stops anywhere.
    """
    motor, twin, regeneration = rig.motor, rig.twin, rig.regeneration
    wiring = twin.wiring
    angle = twin.start_angle
    if angle is None:
        angle = float(np.random.default_rng([seed, 2]).uniform(0.0, 360.0))
    rated = motor.rated_speed * math.pi / 30.0
    bridge = BridgeParameters(
        pwm_hz=twin.pwm_frequency,
        capacitance=regeneration.dc_link_capacitance,
        **_stated(twin.power_stage),
    )
    if regeneration.absorbed_by == "load-resistor":
        above = rig.supply.max_voltage
        bridge = replace(
            bridge,
            chopper=twin.load_resistor,
            chopper_on=above * 1.1,
            chopper_off=above * 1.05,
        )
    return DriveParameters(
        motor=MotorParameters(
            pole_pairs=motor.pole_pairs,
            back_emf=motor.back_emf_constant,
            flat_width_deg=twin.flat_top,
            resistance=motor.resistance,
            inductance=motor.inductance,
            inertia=motor.inertia,
            viscous=twin.viscous_torque_at_rated_speed / rated,
            coulomb=twin.coulomb_friction,
            cogging=twin.cogging,
            hall_error_deg=_three(late * motor.pole_pairs for late in wiring.hall_late),
            hall_order=_three(map(_PLACES.index, wiring.hall_order)),
            hall_inverted=_three(place in wiring.hall_inverted for place in _PLACES),
            phase_order=_three(map(_PLACES.index, wiring.phase_order)),
            initial_angle_deg=angle,
        ),
        bridge=bridge,
        supply=SupplyParameters(
            resistance=twin.supply_resistance,
            two_way=regeneration.absorbed_by == "two-quadrant-supply",
        ),
        sensing=SensingParameters(
            substitute_temperature=twin.substitute_temperature,
            phase_shunts=twin.phase_shunts,
            **{_MEASURING.get(name, name): v for name, v in _stated(twin.measuring).items()},
        ),
        heat=HeatParameters(ambient=twin.ambient, reference_temperature=25.0, **_stated(twin.heat)),
        load=LoadParameters(
            mean=twin.load.torque,
            pulsation=twin.load.pulsation,
            pulses=twin.load.pulses_per_turn,
        ),
        baud=rig.profile.baud,
    )
