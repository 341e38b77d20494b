"""What the supply gives is stored, lost or delivered, whatever the rig and the manoeuvre."""

import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.twin.drive import Drive
from hil.twin.load import LoadParameters, Pulsation
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    HeatParameters,
    MotorParameters,
    SupplyParameters,
)


def between(low: float, high: float):
    """Log-uniform."""
    return st.floats(math.log(low), math.log(high)).map(math.exp)


rigs = st.builds(
    DriveParameters,
    motor=st.builds(
        MotorParameters,
        pole_pairs=st.integers(1, 8),
        back_emf=between(0.02, 0.08),
        flat_width_deg=st.floats(60, 150),
        resistance=between(0.3, 3.0),
        inductance=between(0.3e-3, 3e-3),
        inertia=between(5e-6, 5e-5),
        viscous=st.floats(0, 1e-5),
        coulomb=st.floats(0, 5e-3),
        cogging=st.floats(0, 3e-3),
        initial_angle_deg=st.floats(0, 360),
    ),
    bridge=st.builds(
        BridgeParameters,
        pwm_hz=st.sampled_from([10e3, 20e3, 33e3]),
        dead_time=st.sampled_from([0.0, 0.5e-6]),
        on_resistance=st.floats(0, 0.05),
        diode_drop=st.floats(0.3, 1.0),
        capacitance=between(2e-5, 5e-3),
        bleeder=between(50.0, 1e4),
        output_delay=st.integers(0, 1),
        chopper=st.sampled_from([math.inf, 10.0, 3.0]),
        chopper_on=st.just(30.0),
        chopper_off=st.just(28.0),
    ),
    supply=st.builds(
        SupplyParameters,
        resistance=between(0.005, 0.3),
        two_way=st.booleans(),
        slew=between(500, 1e5),
    ),
    load=st.builds(
        LoadParameters,
        mean=st.floats(0, 0.03),
        pulsation=st.floats(0, 0.01),
        shape=st.sampled_from(list(Pulsation)),
        pull=st.floats(-0.01, 0.01),
    ),
    heat=st.builds(HeatParameters, winding_capacity=st.floats(0.5, 50)),
)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    rig=rigs,
    duties=st.lists(st.floats(0.05, 1.0), min_size=2, max_size=3),
    low=st.sampled_from([1, 2]),
    limit=st.floats(3, 30),
)
def test_energy_balance_closes(scripted, rig, duties, low, limit):
    firmware = scripted()
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, limit, True)
    for turn, duty in enumerate(duties):
        firmware.commutate(duty, direction=1 - 2 * (turn % 2), high=low)
        drive.advance(0.08)
    drive.set_brake(0.5)
    drive.advance(0.03)
    drive.set_brake(0.0)
    firmware.coast()
    drive.advance(0.02)
    energies = drive.energies()
    assert energies.imbalance < 1e-3, energies
    for name in ("lead", "bleeder", "copper", "switch", "viscous", "coulomb", "load", "brake"):
        assert getattr(energies, name) >= 0, name
    assert math.isfinite(drive.speed_rpm)
    assert abs(sum(drive.phase_currents)) < 1e-9


def test_a_turning_drive_uses_energy_in_each_place(scripted):
    rig = DriveParameters(load=LoadParameters(mean=0.02, pulsation=0.005))
    firmware = scripted().commutate(0.6)
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(1.0)
    before = drive.energies()
    drive.advance(1.0)
    after = drive.energies()
    turned = drive.speed_rpm * math.pi / 30
    assert after.load - before.load == pytest.approx(0.02 * turned, rel=0.05)
    assert after.coulomb - before.coulomb == pytest.approx(rig.motor.coulomb * turned, rel=0.05)
    assert after.bleeder - before.bleeder == pytest.approx(24**2 / 1e3, rel=0.01)
    assert abs(after.cogging - before.cogging) < 2.1 * rig.motor.cogging  # it comes back each turn
    assert after.supply - before.supply == pytest.approx(
        drive.supply_voltage * drive.supply_current, rel=0.1
    )


def test_two_diodes_that_stop_at_once_leave_nothing_behind(scripted):
    """Equal back-EMFs at 150 degrees of flat top: both currents end at the same instant."""
    motor = MotorParameters(flat_width_deg=150.0, inertia=1.0, cogging=0.0, coulomb=0, viscous=0)
    drive = Drive(DriveParameters(motor=motor), scripted(), seed=1)
    drive.set_supply(24.0, 30.0, True)
    drive.advance(0.1)
    drive._state["speed"] = 60.0
    before = drive.energies()
    drive.firmware.hold([0, 2, 0], [0.02] * 3)
    drive.advance(0.5)
    after = drive.energies()
    assert after.switch >= before.switch
    spent = after.supply - before.supply
    assert after.accounted - before.accounted == pytest.approx(spent, rel=1e-3)


def test_a_supply_that_gives_nothing_heats_no_leads(scripted):
    """Fed back into the link beyond its source, or switched off: no current, no heat in leads."""
    rig = DriveParameters(
        motor=MotorParameters(inertia=1e-3),
        bridge=BridgeParameters(capacitance=1e-4),
        supply=SupplyParameters(resistance=1e-3),
    )
    drive = Drive(rig, scripted(), seed=1)
    drive.set_supply(24.0, 30.0, True)
    drive.advance(0.05)
    drive._state["speed"] = 1000.0  # its back-EMF charges the link through the diodes
    drive.advance(2e-3)
    assert drive.dc_link_voltage > 30.0
    before = drive.energies()
    drive.advance(5e-3)
    after = drive.energies()
    assert after.copper > before.copper
    assert after.supply == before.supply
    assert after.lead == before.lead


def test_nothing_flows_without_supply(scripted):
    drive = Drive(DriveParameters(), scripted().commutate(0.5), seed=1)
    drive.advance(0.1)
    energies = drive.energies()
    assert energies.supply == energies.accounted == energies.imbalance == 0
