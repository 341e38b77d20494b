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

    What is compared is what changes in a period; in the lag, a fifth of it, a fifth changes.
    """
    bridge = BridgeParameters(dead_time=dead)
    rig = replace(RIG, bridge=bridge)
    exact = replace(rig, sensing=replace(QUIET, amplifier_hz=5e7))
    lagging, whole = running(scripted, rig), running(scripted, exact)
    before = [np.array(seen(drive)) for drive in (lagging, whole)]
    changes, lags = [], []
    for _ in range(19):
        for drive in (lagging, whole):
            drive.advance(PERIOD)
        after = [np.array(seen(drive)) for drive in (lagging, whole)]
        changes.append([a - b for a, b in zip(after, before, strict=True)])
        before = after
        lags.append(float(lagging._state["lag"]))
        assert whole._state["lag"] == 0.0
    assert min(lags) > 0.15 * PERIOD
    changes = np.array(changes)
    largest = np.abs(changes[:, 1]).max(axis=0)
    assert (largest[[0, 2, 5, 6, 7, 8, 9, 10]] > 0).all()
    assert (np.abs(changes[:, 0] - changes[:, 1]) <= 0.03 * largest + 1e-9).all()


def lagging_and_whole(scripted, base: DriveParameters = RIG) -> list[Drive]:
    """Two at speed in the middle of a millisecond; only the second is where its time is."""
    exact = replace(base, sensing=replace(QUIET, amplifier_hz=5e7))
    drives = [running(scripted, rig) for rig in (base, exact)]
    for drive in drives:
        drive.advance(7 * PERIOD)
    assert drives[0]._state["lag"] == pytest.approx(0.2 * PERIOD)
    assert drives[1]._state["lag"] == 0.0
    return drives


def test_gates_that_change_at_the_boundary_do_so_there_and_not_at_the_edge(scripted):
    """Legs that are let go: against 24 V and two diodes the current falls faster than in the pause.

    In the lag of 10 us it would fall by 0.2 A more.
    """
    after = []
    for drive in lagging_and_whole(scripted, replace(RIG, load=LoadParameters(mean=0.15))):
        drive.firmware.hold([0, 0, 0], [0, 0, 0])
        drive.advance(PERIOD)
        after.append(drive.phase_currents)
    assert max(map(abs, after[1])) > 0.3, "it flows yet"
    assert after[0] == pytest.approx(after[1], abs=0.02)


def test_a_lead_cut_and_a_brake_put_on_while_the_state_lags(scripted):
    for act in (
        lambda drive: drive.set_line("phase-a", False),
        lambda drive: drive.set_brake(0.3),
        lambda drive: drive.set_supply(20.0, 10.0, True),
        lambda drive: drive.set_supply(24.0, 10.0, False),
        lambda drive: drive.restart_board(),
    ):
        ends = []
        for drive in lagging_and_whole(scripted):
            act(drive)
            first = drive.energies()
            assert first.imbalance < 1e-3
            drive.advance(13 * PERIOD)
            drive.set_line("phase-a", True)
            drive.advance(40 * PERIOD)
            assert drive.energies().imbalance < 1e-3
            ends.append(seen(drive)[:3])
        assert ends[0] == pytest.approx(ends[1], rel=1e-3)


def test_a_brake_takes_nothing_of_what_was_before_it(scripted):
    """Seen between the command and the next period."""
    drive, _ = lagging_and_whole(scripted)
    before = drive.energies()
    drive.set_brake(0.5)
    assert drive.energies() == before


def test_peaks_that_are_cleared_begin_where_the_period_ends(scripted):
    drive, _ = lagging_and_whole(scripted)
    drive.clear_peaks()
    assert drive.dc_link_peak == drive.dc_link_voltage


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
