"""Two thermal nodes for the motor, two for the power stage."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from hil.twin.drive import Drive
from hil.twin.parameters import DriveParameters, HeatParameters, MotorParameters

HEAT = HeatParameters(
    ambient=30.0,
    winding_resistance=2.0,
    winding_capacity=2.0,
    housing_resistance=4.0,
    housing_capacity=6.0,
    junction_resistance=3.0,
    junction_capacity=0.3,
    sink_resistance=10.0,
    sink_capacity=1.0,
)


def stalled(scripted, duty: float = 0.15) -> Drive:
    firmware = scripted().hold([1, 1, 0], [duty, 0, 0])
    drive = Drive(DriveParameters(heat=HEAT), firmware, seed=1)
    drive.set_supply(24.0, 20.0, True)
    drive.set_brake(1.0)
    return drive


def test_everything_starts_at_ambient(scripted):
    drive = stalled(scripted)
    assert set(drive.temperatures) == {30.0}
    assert drive.firmware.inputs()["t_stage"] == 30.0


def test_the_winding_follows_the_two_node_equations(scripted):
    drive = stalled(scripted)
    drive.advance(10.0)
    supply = 0.15 * 24.0

    def rates(_time, nodes):
        winding, housing = nodes
        r = 1.2 * (234.5 + winding) / (234.5 + 25.0)
        copper = r * (supply / (r + 0.0245)) ** 2
        inward = (winding - housing) / 2.0
        return [(copper - inward) / 2.0, (inward - (housing - 30.0) / 4.0) / 6.0]

    truth = solve_ivp(rates, (0, 10), [30.0, 30.0], rtol=1e-8).y[:, -1]
    rise = np.array(drive.temperatures[:2]) - 30.0
    assert rise == pytest.approx(truth - 30.0, rel=0.02)
    assert rise[0] > 10


def test_resistance_rises_with_the_winding(scripted):
    drive = stalled(scripted)
    drive.advance(0.1)
    cold = drive.phase_currents[0]
    drive.advance(20.0)
    hot = drive.phase_currents[0]
    factor = (234.5 + drive.temperatures.winding) / (234.5 + 30.0)
    assert cold / hot == pytest.approx(factor, rel=0.01)
    assert factor > 1.08


def test_warm_magnets_turn_faster(scripted):
    speeds = []
    for ambient in (25.0, 85.0):
        motor = MotorParameters(coulomb=0.0, viscous=0.0, cogging=0.0)
        rig = DriveParameters(motor=motor, heat=HeatParameters(ambient=ambient))
        drive = Drive(rig, scripted().commutate(1.0), seed=1)
        drive.set_supply(24.0, 20.0, True)
        drive.advance(0.5)
        speeds.append(drive.speed_rpm)
    assert speeds[1] / speeds[0] == pytest.approx(1 / (1 - 0.0011 * 60), rel=0.003)


def test_the_power_stage_settles_where_its_losses_say(scripted):
    drive = stalled(scripted)
    drive.advance(60.0)
    before = drive.energies().switch
    drive.advance(1.0)
    loss = drive.energies().switch - before
    assert drive.temperatures.sink - 30 == pytest.approx(10.0 * loss, rel=0.02)
    assert drive.temperatures.junction - drive.temperatures.sink == pytest.approx(
        3.0 * loss, rel=0.02
    )
    assert drive.firmware.inputs()["t_stage"] == pytest.approx(
        drive.temperatures.junction, abs=0.01
    )


def test_idle_motors_cool_down(scripted):
    drive = stalled(scripted)
    drive.advance(10.0)
    hot = drive.temperatures.winding
    drive.firmware.coast()
    drive.advance(120.0)
    assert 30 <= drive.temperatures.winding < 30 + 0.05 * (hot - 30)


@pytest.mark.parametrize("wrong", [{"winding_capacity": 0.0}, {"ambient": math.nan}])
def test_impossible_heat_parameters_are_refused(wrong):
    with pytest.raises(ValueError, match=r"winding_capacity|ambient"):
        HeatParameters(**wrong)
