"""Parameters refuse what no rig can have, and the kernel gets all of them."""

import math
from dataclasses import FrozenInstanceError

import pytest

from hil.twin.constants import constants_of
from hil.twin.kernel_memory import CONSTANTS
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    MotorParameters,
    SensingParameters,
    SupplyParameters,
)


@pytest.mark.parametrize(
    ("kind", "wrong", "name"),
    [
        (MotorParameters, {"inertia": 0.0}, "inertia"),
        (MotorParameters, {"resistance": math.nan}, "resistance"),
        (MotorParameters, {"coulomb": -1e-3}, "coulomb"),
        (MotorParameters, {"flat_width_deg": 30.0}, "flat_width"),
        (MotorParameters, {"static_ratio": 0.5}, "static_ratio"),
        (MotorParameters, {"hall_order": (0, 0, 1)}, "hall_order"),
        (MotorParameters, {"phase_order": (1, 2, 3)}, "phase_order"),
        (BridgeParameters, {"pwm_hz": 10.0}, "pwm_hz"),
        (BridgeParameters, {"capacitance": 0.0}, "capacitance"),
        (BridgeParameters, {"output_delay": 2}, "output_delay"),
        (BridgeParameters, {"dead_time": 20e-6}, "dead_time"),
        (BridgeParameters, {"chopper_on": 30.0, "chopper_off": 31.0}, "chopper_off"),
        (SupplyParameters, {"resistance": 0.0}, "resistance"),
        (SensingParameters, {"current_noise": -1.0}, "current_noise"),
        (SensingParameters, {"voltage_range": 0.0}, "voltage_range"),
        (DriveParameters, {"baud": 0}, "baud"),
    ],
)
def test_impossible_values_are_refused_by_name(kind, wrong, name):
    with pytest.raises(ValueError, match=name):
        kind(**wrong)


def test_parameters_are_frozen():
    with pytest.raises(FrozenInstanceError):
        DriveParameters().baud = 9600


def test_the_kernel_gets_phase_values(scripted):
    firmware = scripted()
    record = constants_of(DriveParameters(), firmware)[0]
    assert record["resistance"] == 0.6  # per phase
    assert 1 / record["inverse_inductance"] == pytest.approx(0.7e-3)
    assert record["flux"] == 0.020
    assert record["steepness"] == 3.0
    assert record["block"] == firmware.address
    assert record["current_step"] == pytest.approx(80 / 4096)
    assert set(record.dtype.names) == set(CONSTANTS.names)
