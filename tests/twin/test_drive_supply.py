"""DC link, supply, bridge and winding: the electrical side of the drive."""

import math

import numpy as np
import pytest

from hil.twin.drive import Drive
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    HeatParameters,
    MotorParameters,
    SensingParameters,
    SupplyParameters,
)

COLD = HeatParameters(winding_capacity=1e9, junction_capacity=1e9, housing_capacity=1e9)


def test_the_link_charges_at_the_current_limit(scripted):
    rig = DriveParameters(
        supply=SupplyParameters(slew=1e6), bridge=BridgeParameters(bleeder=math.inf)
    )
    drive = Drive(rig, scripted(), seed=1)
    drive.set_supply(24.0, 2.0, True)
    drive.advance(0.010)
    assert drive.supply_current == pytest.approx(2.0, rel=1e-6)
    assert drive.dc_link_voltage == pytest.approx(2.0 * 0.010 / 2.2e-3, rel=1e-3)
    drive.advance(0.05)
    assert drive.dc_link_voltage == pytest.approx(24.0, rel=1e-6)
    assert drive.supply_current == pytest.approx(0.0, abs=1e-6)


def test_the_source_slews(scripted):
    rig = DriveParameters(supply=SupplyParameters(slew=1000.0, resistance=0.01))
    drive = Drive(rig, scripted(), seed=1)
    drive.set_supply(24.0, 100.0, True)
    drive.advance(0.010)
    assert drive.dc_link_voltage == pytest.approx(10.0, abs=0.1)
    drive.advance(0.020)
    assert drive.supply_voltage == pytest.approx(24.0, abs=1e-3)


def test_a_charged_link_empties_through_the_bleeder(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.1)
    assert drive.supply_current == pytest.approx(0.024, rel=0.01)
    drive.set_supply(24.0, 10.0, False)
    drive.advance(2.2)
    assert drive.dc_link_voltage == pytest.approx(24.0 / math.e, rel=1e-3)
    assert drive.supply_current == 0
    assert not drive.supply_on


def braked_by_the_bridge(scripted, two_way=False, chopper=math.inf, resistance=0.1) -> Drive:
    """From 6000 rpm the firmware slows the motor by lowering the duty, energy going to the link.

    Motor of row M26: J 135 g cm^2, C 1000 uF.
    """
    rig = DriveParameters(
        motor=MotorParameters(
            pole_pairs=1,
            back_emf=0.036,
            resistance=resistance,
            inductance=0.3e-3,
            inertia=1.35e-5,
            viscous=0.0,
            coulomb=0.0,
            cogging=0.0,
        ),
        bridge=BridgeParameters(
            capacitance=1e-3,
            on_resistance=0.0,
            bleeder=math.inf,
            chopper=chopper,
            chopper_on=30.0,
            chopper_off=29.0,
        ),
        supply=SupplyParameters(two_way=two_way, resistance=0.02),
        heat=COLD,
    )
    firmware = scripted().commutate(0.942)  # 6000 rpm
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 20.0, True)
    drive.advance(0.5)
    drive.clear_peaks()
    drive.shaft_samples()
    for _ in range(400):
        emf = 0.036 * drive.speed_rpm * math.pi / 30
        firmware.commutate(min(1.0, max(0.0, (emf - 0.6) / drive.dc_link_voltage)))
        drive.advance(0.0002)
    return drive


def test_braking_energy_pumps_the_link_up_to_the_lossless_bound(scripted):
    """M26: V1 = sqrt(V0^2 + J w^2 / C); 76.8478 V from 24 V for 135 g cm^2, 6000 rpm, 1000 uF."""

    def lossless(rpm: float) -> float:
        return math.sqrt(24**2 + 1.35e-5 * (rpm * math.pi / 30) ** 2 / 1e-3)

    assert lossless(6000) == pytest.approx(76.8478, rel=1e-5)
    drive = braked_by_the_bridge(scripted)
    entry = drive.shaft_samples()[2].max()
    assert entry == pytest.approx(6000, rel=0.02)
    bound = lossless(entry)
    assert drive.dc_link_peak < bound
    assert drive.dc_link_peak > 0.9 * bound
    lossy = braked_by_the_bridge(scripted, resistance=1.0)
    assert 30 < lossy.dc_link_peak < drive.dc_link_peak


def test_a_two_way_supply_takes_the_energy_back(scripted):
    drive = braked_by_the_bridge(scripted, two_way=True)
    assert drive.dc_link_peak < 25.0


def test_a_chopper_holds_the_link_down(scripted):
    drive = braked_by_the_bridge(scripted, chopper=4.0)
    assert 30.0 < drive.dc_link_peak < 31.0
    assert drive.energies().bleeder > 0.5


def test_over_voltage_switches_the_supply_off_until_cleared(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    drive.set_over_voltage(20.0)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.1)
    assert drive.over_voltage_tripped
    assert not drive.supply_on
    assert 15 < drive.dc_link_voltage < 20.2
    drive.set_supply(12.0, 10.0, True)
    assert not drive.supply_on
    drive.clear_over_voltage()
    assert not drive.supply_on
    drive.set_supply(19.0, 10.0, True)
    drive.advance(0.05)
    assert drive.supply_on
    assert drive.dc_link_voltage == pytest.approx(19.0, abs=0.1)


def blocks(scripted) -> tuple[Drive, np.ndarray]:
    """Currents of a large flywheel driven with square currents: 120-degree blocks."""
    rig = DriveParameters(
        motor=MotorParameters(
            pole_pairs=1, inductance=10e-6, inertia=0.1, coulomb=0.0, viscous=0.0, cogging=0.0
        ),
        bridge=BridgeParameters(on_resistance=0.0, pwm_hz=50e3),
        supply=SupplyParameters(resistance=1e-3),
        sensing=SensingParameters.ideal(),
        heat=COLD,
    )
    drive = Drive(rig, scripted().commutate(1.0), seed=1)
    drive.set_supply(24.0, 100.0, True)
    drive._state["speed"] = 200.0
    drive.advance(0.05)
    currents = []
    for _ in range(1571):  # one turn
        drive.advance(20e-6)
        currents.append(drive.phase_currents)
    return drive, np.array(currents)


def test_rms_of_blocks_and_copper_loss(scripted):
    """M22: phase RMS sqrt(2/3) I, mean magnitude 2/3 I. M23: loss I^2 R_LL = 3 I_rms^2 R_ph."""
    drive, currents = blocks(scripted)
    top = np.median(np.abs(currents).max(axis=1))
    assert top == pytest.approx((24 - 0.04 * drive.speed_rpm * math.pi / 30) / 1.2, rel=0.01)
    rms = np.sqrt(np.mean(currents**2, axis=0))
    assert rms == pytest.approx(0.816497 * top * np.ones(3), rel=0.01)
    assert np.abs(currents).mean(axis=0) == pytest.approx(2 / 3 * top * np.ones(3), rel=0.01)
    before = drive.energies().copper
    drive.advance(2 * math.pi / 200)
    loss = (drive.energies().copper - before) / (2 * math.pi / 200)
    assert loss == pytest.approx(3 * (rms**2).mean() * 0.6, rel=0.01)
    assert loss == pytest.approx(top**2 * 1.2, rel=0.02)


def test_an_open_phase_carries_nothing_and_reads_zero(scripted):
    firmware = scripted().commutate(0.5)
    drive = Drive(DriveParameters(sensing=SensingParameters.ideal()), firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.2)
    drive.set_line("phase-b", False)
    for _ in range(100):
        drive.advance(0.001)
        a, b, c = drive.phase_currents
        assert b == 0
        assert a == pytest.approx(-c, abs=1e-12)
    firmware.coast()
    drive.advance(0.01)
    assert firmware.inputs()["v_phase"][1] == 0
    drive.set_line("phase-b", True)
    firmware.commutate(0.5)
    drive.advance(0.05)
    assert drive.energies().imbalance < 1e-3
    with pytest.raises(ValueError, match="no line 'hall-d'"):
        drive.set_line("hall-d", True)


def test_a_coasting_motor_above_the_link_rectifies_into_it(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    drive._state["speed"] = 1000.0  # 40 V line to line
    drive.advance(0.2)
    assert 20 < drive.dc_link_voltage < 40 - 1.6
    assert drive.energies().switch > 0


def test_terminals_idle_at_zero_and_show_back_emf_when_turning(scripted):
    """The dividers hold an idle bridge at DC-link negative; the diodes clamp below the rail."""
    firmware = scripted()
    drive = Drive(DriveParameters(sensing=SensingParameters.ideal()), firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.05)
    assert firmware.inputs()["v_phase"].tolist() == [0, 0, 0]
    drive._state["speed"] = 300.0
    seen = []
    for _ in range(200):
        drive.advance(1 / 20_000)
        seen.append(firmware.inputs()["v_phase"].copy())
    volts = np.array(seen)
    assert volts.min() == 0  # below the rail by a diode drop, and converters read from 0
    assert volts.max() == pytest.approx(2 * 300 * 0.02 - 0.8, rel=0.02)


@pytest.mark.parametrize("dead", [0.0, 1e-6])
def test_dead_time_costs_voltage(scripted, dead):
    rig = DriveParameters(
        motor=MotorParameters(coulomb=1.0), bridge=BridgeParameters(dead_time=dead), heat=COLD
    )
    firmware = scripted().hold([1, 1, 0], [0.2, 0, 0])
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 20.0, True)
    drive.advance(0.1)
    mean = np.mean([_current(drive) for _ in range(400)])
    # while both gates are off, the current of leg A flows through its lower diode
    ideal = (24.0 * (0.2 - dead * 20e3) - 0.8 * 2 * dead * 20e3) / (1.2 + 2 * 0.012)
    assert mean == pytest.approx(ideal, rel=0.01)


@pytest.mark.parametrize("dead", [0.0, 1e-6, 2e-6])
def test_dead_time_gains_voltage_where_the_current_is_reversed(scripted, dead):
    """B drives A backwards: while both gates of A are off, its upper diode takes the current."""
    rig = DriveParameters(
        motor=MotorParameters(coulomb=1.0), bridge=BridgeParameters(dead_time=dead), heat=COLD
    )
    firmware = scripted().hold([1, 1, 0], [0.2, 0.5, 0])
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 20.0, True)
    drive.advance(0.1)
    mean = np.mean([_current(drive) for _ in range(400)])
    share = dead * 20e3
    a, b = 0.2 + share, 0.5 - share  # high for the dead time longer, and shorter
    ideal = (24.0 * (b - a) - 2 * 0.8 * 2 * share) / (1.2 + 2 * 0.012)
    assert mean == pytest.approx(-ideal, rel=0.01)


@pytest.mark.parametrize("limit", [1.0, 2.0, 4.0])
def test_a_load_beyond_the_current_limit_pulls_the_link_down(scripted, limit):
    """A blocked motor at duty d is a resistor R / d^2 to the link: V = limit R / d^2."""
    rig = DriveParameters(motor=MotorParameters(coulomb=1.0), heat=COLD)
    drive = Drive(rig, scripted().hold([1, 1, 0], [0.5, 0, 0]), seed=1)
    drive.set_supply(24.0, limit, True)
    drive.advance(0.3)
    resistance = (1.2 + 2 * 0.012) / 0.5**2
    expected = limit / (1.0 / resistance + 1.0 / rig.bridge.bleeder)
    assert expected < 23.0, "the supply would not limit"
    assert drive.supply_current == pytest.approx(limit, rel=1e-3)
    assert drive.dc_link_voltage == pytest.approx(expected, rel=0.02)
    assert np.mean([_current(drive) for _ in range(400)]) == pytest.approx(
        0.5 * expected / (1.2 + 2 * 0.012), rel=0.02
    )
    drive.set_supply(24.0, 10.0, True)  # more than it takes: back to the set point
    drive.advance(0.3)
    assert drive.dc_link_voltage == pytest.approx(24.0, rel=0.02)


def _current(drive: Drive) -> float:
    drive.advance(0.00013)
    return drive.phase_currents[0]


def test_a_delay_of_one_period_is_one_period(scripted):
    first = []
    for delay in (0, 1):
        rig = DriveParameters(bridge=BridgeParameters(output_delay=delay))
        firmware = scripted()
        drive = Drive(rig, firmware, seed=1)
        drive.set_supply(24.0, 20.0, True)
        drive.advance(0.1)
        firmware.hold([1, 1, 0], [0.5, 0, 0])
        count = 0
        while drive.phase_currents[0] == 0:
            drive.advance(1 / 20_000)
            count += 1
        first.append(count)
    assert first == [1, 2]


def test_currents_end_at_exactly_zero_after_coasting(scripted):
    for high, low in ((1, 1), (2, 1), (1, 2)):
        firmware = scripted().commutate(0.4, high=high, low=low)
        drive = Drive(DriveParameters(), firmware, seed=1)
        drive.set_supply(24.0, 10.0, True)
        drive.advance(0.1237)
        firmware.hold([1, 1, 1], [0, 0, 0])  # short the windings first
        drive.advance(0.5)
        firmware.coast()
        drive.advance(0.01)
        assert drive.phase_currents == (0, 0, 0)
        before = drive.steps
        drive.advance(0.01)
        assert drive.steps - before == 200  # one step a period is all an idle drive takes


def test_impossible_settings_are_refused(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    for call in (
        lambda: drive.set_supply(-1.0, 1.0, True),
        lambda: drive.set_supply(1.0, math.nan, True),
        lambda: drive.set_brake(-0.1),
        lambda: drive.set_brake(math.inf),
        lambda: drive.advance(-1.0),
        lambda: drive.advance(math.nan),
    ):
        with pytest.raises(ValueError, match=r"supply|brake|advance"):
            call()
