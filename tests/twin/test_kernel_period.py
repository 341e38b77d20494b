"""Periods that are integrated no further than to their last edge: who looks sees their ends."""

from dataclasses import replace

import numpy as np
import pytest

from hil.twin.drive import Drive
from hil.twin.load import LoadParameters
from hil.twin.parameters import (
    BridgeParameters,
    DriveParameters,
    HeatParameters,
    MotorParameters,
    SensingParameters,
)

PERIOD = 50e-6
COLD = HeatParameters(winding_capacity=1e9, junction_capacity=1e9, housing_capacity=1e9)
QUIET = SensingParameters(
    current_bits=0, current_noise=0.0, voltage_bits=0, voltage_noise=0.0, phase_shunts=True
)
RIG = DriveParameters(sensing=QUIET, heat=COLD, load=LoadParameters(mean=0.02, pulsation=0.008))


def running(scripted, rig: DriveParameters = RIG, duty: float = 0.6) -> Drive:
    """Past the ramp of the supply and at speed."""
    drive = Drive(rig, scripted().commutate(duty), seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.2)
    return drive


def seen(drive: Drive) -> list[float]:
    flows = drive.energies()
    return [
        drive.angle_deg,
        drive.speed_rpm,
        drive.dc_link_voltage,
        drive.dc_link_peak,
        drive.current_peak,
        *drive.phase_currents,
        flows.copper,
        flows.load,
        flows.supply,
    ]


def test_a_period_is_left_at_its_last_edge(scripted):
    """High side on for 60 % in the middle: off since 80 %, but whole when a sample is logged."""
    drive = running(scripted)
    lags = []
    for _ in range(40):
        drive.advance(PERIOD)
        lags.append(float(drive._state["lag"]))
    assert sorted(set(np.round(lags, 9))) == [0.0, pytest.approx(0.2 * PERIOD, abs=1e-9)]
    assert lags.count(0.0) == 2, "the shaft is logged every 20 periods"


def test_looking_changes_nothing(scripted):
    quiet, watched = running(scripted), running(scripted)
    for _ in range(200):
        watched.advance(PERIOD)
        seen(watched)
    quiet.advance(200 * PERIOD)
    assert watched._memory.tobytes() == quiet._memory.tobytes()


@pytest.mark.parametrize("dead", [0.0, 1e-6])
def test_what_is_seen_belongs_to_the_end_of_the_period(scripted, dead):
    """As with amplifiers, too fast to matter, that make the kernel integrate each to its end.

    Currents change by 0.3 A in the 10 us by which the state lags, the shaft turns by 0.1 degree.
    """
    bridge = BridgeParameters(dead_time=dead)
    rig = replace(RIG, bridge=bridge)
    exact = replace(rig, sensing=replace(QUIET, amplifier_hz=5e7))
    lagging, whole = running(scripted, rig), running(scripted, exact)
    for _ in range(60):
        lagging.advance(PERIOD)
        whole.advance(PERIOD)
        assert whole._state["lag"] == 0.0
        assert seen(lagging) == pytest.approx(seen(whole), rel=2e-4, abs=5e-3)


def test_what_is_not_merged_is_split_where_the_gates_change(scripted):
    """A leg that is let go at the boundary has no current from there on, not from the edge on."""
    rig = replace(RIG, motor=MotorParameters(coulomb=1.0))  # locked
    drives = []
    for sensing in (QUIET, replace(QUIET, amplifier_hz=5e7)):
        firmware = scripted().hold([1, 1, 0], [0.3, 0, 0])
        drive = Drive(replace(rig, sensing=sensing), firmware, seed=1)
        drive.set_supply(24.0, 10.0, True)
        drive.advance(0.1 + 3 * PERIOD)
        drives.append((drive, firmware))
    before = [drive.phase_currents[0] for drive, _ in drives]
    for drive, firmware in drives:
        firmware.hold([0, 0, 0], [0, 0, 0])
        drive.advance(PERIOD)
    after = [drive.phase_currents[0] for drive, _ in drives]
    assert before[0] == pytest.approx(before[1], rel=1e-4)
    assert after[0] == pytest.approx(after[1], abs=1e-3)
    # against 24 V, two diodes and the resistance, with two windings in series: V T / L
    mean = 0.5 * (before[0] + after[0])
    drop = 2 * rig.bridge.diode_drop + mean * rig.motor.resistance
    fall = (24.0 + drop) * PERIOD / rig.motor.inductance
    assert before[0] - after[0] == pytest.approx(fall, rel=0.03)


def test_how_many_steps_a_period_takes(scripted):
    """Pulse and pause, the pause in two at rest; turning, something happens now and then."""
    rig = replace(RIG, motor=MotorParameters(coulomb=1.0))
    firmware = scripted().hold([1, 1, 0], [0.5, 0, 0])
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.1)
    assert drive._state["speed"] == 0.0
    still = drive.steps
    drive.advance(0.1)
    assert drive.steps - still == 3 * 2000
    turning = running(scripted, replace(RIG, load=LoadParameters()), duty=0.5)
    before = turning.steps
    turning.advance(0.1)
    assert 2.0 < (turning.steps - before) / 2000 < 3.2


@pytest.mark.parametrize("aside", [-4e-6, -1e-6, 1e-6, 4e-6])
def test_sampling_beside_the_middle_of_a_pulse(scripted, aside):
    """A pulse of 20 us with a straight rise: what is seen lies on it, where it is asked for."""
    rig = replace(RIG, motor=MotorParameters(coulomb=1.0))
    readings = []
    for delay in (0.0, aside):
        firmware = scripted().hold([1, 1, 0], [0.4, 0, 0])
        drive = Drive(replace(rig, sensing=replace(QUIET, sampling_delay=delay)), firmware, seed=1)
        drive.set_supply(24.0, 10.0, True)
        drive.advance(0.1)
        readings.append(float(firmware.inputs()["i_phase"][0]))
    current = readings[0]
    slope = (24.0 - current * (rig.motor.resistance + 2 * rig.bridge.on_resistance)) / (
        rig.motor.inductance
    )
    assert readings[1] - readings[0] == pytest.approx(slope * aside, rel=0.02)
