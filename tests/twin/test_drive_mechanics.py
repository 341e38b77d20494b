"""Stiction, brake, alignment, load, Hall sensors: what the shaft does."""

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.twin.drive import Drive
from hil.twin.kernel_memory import SHAFT_LOG
from hil.twin.load import LoadParameters, Pulsation, load_torque, rectified_sine, sine
from hil.twin.parameters import DriveParameters, MotorParameters, SensingParameters

MOTOR = MotorParameters(cogging=0.0, coulomb=0.01, static_ratio=1.3, initial_angle_deg=15.0)


def pushed(scripted, torque: float, motor: MotorParameters = MOTOR, **rig) -> Drive:
    """A drive whose firmware holds A high and B low with current for this torque at 60 degrees."""
    current = torque / motor.back_emf
    duty = current * (motor.resistance + 2 * 0.012) / 24.0
    firmware = scripted().hold([1, 1, 0], [duty, 0, 0])
    drive = Drive(DriveParameters(motor=motor, **rig), firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    return drive


def test_the_shaft_holds_below_the_breakaway_torque_and_moves_above(scripted):
    drive = pushed(scripted, 0.0127)
    drive.advance(0.3)
    assert drive.speed_rpm == 0
    assert drive.angle_deg == pytest.approx(15.0, abs=1e-12)
    assert drive.phase_currents[0] * MOTOR.back_emf == pytest.approx(0.0127, rel=0.02)
    moving = pushed(scripted, 0.0133)
    moving.advance(0.3)
    assert moving.angle_deg > 16


def test_the_shaft_comes_to_rest_exactly(scripted):
    firmware = scripted().commutate(0.3)
    drive = Drive(DriveParameters(motor=MOTOR), firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.5)
    assert drive.speed_rpm > 500
    firmware.coast()
    drive.advance(1.0)
    stopped = drive.angle_deg
    assert drive.speed_rpm == 0
    drive.advance(0.5)
    assert drive.angle_deg == stopped


@pytest.mark.parametrize("direction", [1, -1])
def test_the_brake_stops_and_holds_but_does_not_drive(scripted, direction):
    firmware = scripted().commutate(0.5, direction)
    drive = Drive(DriveParameters(), firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.5)
    assert drive.speed_rpm * direction > 2000
    drive.set_brake(1.0)
    drive.advance(0.3)
    held = drive.angle_deg
    assert drive.speed_rpm == 0
    assert max(map(abs, drive.phase_currents)) > 5  # the motor pulls against it
    drive.advance(0.3)
    assert drive.angle_deg == held
    drive.set_brake(0.0)
    drive.advance(0.3)
    assert drive.speed_rpm * direction > 2000


def test_the_brake_slows_by_its_torque(scripted):
    firmware = scripted().commutate(0.5)
    motor = MotorParameters(cogging=0.0, viscous=0.0, coulomb=0.0)
    drive = Drive(DriveParameters(motor=motor), firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.5)
    firmware.coast()
    drive.advance(0.01)
    before = drive.speed_rpm
    drive.set_brake(0.03)
    drive.advance(0.1)
    lost = (before - drive.speed_rpm) * math.pi / 30
    assert lost == pytest.approx(0.03 / motor.inertia * 0.1, rel=1e-3)


def test_alignment_displaces_by_at_most_180_degrees_over_pole_pairs(scripted):
    # at rest, over all start angles: the stable angle of a phase pair is at most half an
    # electrical turn away
    motor = MotorParameters(coulomb=3e-3, cogging=0.0)
    moves = []
    for start in np.arange(0.0, 90.0, 3.0):
        drive = pushed(scripted, 0.06, replace(motor, initial_angle_deg=float(start)))
        drive.advance(1.5)
        assert drive.speed_rpm == 0
        moves.append(drive.angle_deg - start)
    assert max(map(abs, moves)) <= 180 / motor.pole_pairs
    assert max(map(abs, moves)) > 0.8 * 180 / motor.pole_pairs  # some start far away
    assert min(moves) < 0 < max(moves)


def test_a_hanging_weight_turns_the_shaft(scripted):
    motor = MotorParameters(cogging=0.0)
    drive = Drive(DriveParameters(motor=motor, load=LoadParameters(pull=-0.02)), scripted(), seed=1)
    drive.advance(0.1)
    assert drive.speed_rpm < -100
    held = Drive(DriveParameters(motor=motor, load=LoadParameters(pull=-0.001)), scripted(), seed=1)
    held.advance(0.1)
    assert held.speed_rpm == 0


def test_pulsating_load_shows_in_the_speed(scripted):
    def third_order(pulsation: float) -> float:
        load = LoadParameters(mean=0.03, pulsation=pulsation, pulses=3, shape=Pulsation.SINE)
        rig = DriveParameters(motor=MotorParameters(cogging=0.0), load=load)
        drive = Drive(rig, scripted().commutate(0.4), seed=1)
        drive.set_supply(24.0, 10.0, True)
        drive.advance(1.0)
        drive.shaft_samples()
        drive.advance(1.0)
        _, angle, speed = drive.shaft_samples()
        wave = np.exp(-3j * np.radians(angle))
        return float(abs(np.mean((speed - speed.mean()) * wave)))

    assert third_order(0.015) > 20 * third_order(0.0)
    assert third_order(0.015) == pytest.approx(2 * third_order(0.0075), rel=0.05)


def test_hall_sensors_at_the_port(scripted):
    """The patterns of the contract: A high on [30, 210), B and C 120 degrees later."""
    for start, expected in (
        (31, 5),
        (89, 5),
        (91, 1),
        (149, 1),
        (151, 3),
        (211, 2),
        (271, 6),
        (331, 4),
    ):
        motor = MotorParameters(pole_pairs=1, initial_angle_deg=float(start))
        firmware = scripted()
        Drive(DriveParameters(motor=motor), firmware, seed=1)
        assert firmware.inputs()["hall"] == expected, start


def test_hall_placement_order_inversion_and_broken_wire(scripted):
    def seen(opened="", **motor):
        firmware = scripted()
        rig = DriveParameters(motor=MotorParameters(pole_pairs=1, initial_angle_deg=100.0, **motor))
        drive = Drive(rig, firmware, seed=1)
        if opened:
            drive.set_line(opened, False)
            drive.advance(0.001)
        return int(firmware.inputs()["hall"])

    assert seen() == 0b001
    assert seen(hall_error_deg=(80.0, 0.0, 0.0)) == 0b000
    assert seen(hall_error_deg=(0.0, 0.0, 15.0)) == 0b101
    assert seen(hall_order=(1, 0, 2)) == 0b010
    assert seen(hall_inverted=(True, False, True)) == 0b100
    assert seen("hall-b") == 0b011
    assert seen("hall-a") == 0b001


def test_swapped_phases_turn_the_other_way(scripted):
    # the mirror image of phases and sensors as the contract defines them
    motor = MotorParameters(phase_order=(0, 2, 1), hall_order=(1, 0, 2))
    drive = Drive(DriveParameters(motor=motor), scripted().commutate(0.4), seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.3)
    assert drive.speed_rpm == pytest.approx(-2200, rel=0.1)


def test_sine_in_turns():
    turns = np.linspace(-3, 3, 10001)
    assert [sine(x) for x in turns] == pytest.approx(np.sin(math.tau * turns), abs=2e-7)


def test_rectified_sine_has_a_hump_a_turn():
    turns = np.linspace(-3, 3, 10001)
    exact = np.abs(np.sin(math.pi * turns))
    assert [rectified_sine(x) for x in turns] == pytest.approx(exact, abs=1e-7)


def test_load_shapes_have_mean_zero_and_peak_one():
    turns = np.linspace(0, 1, 6001)[:-1]
    for shape in Pulsation:
        torque = np.array([load_torque(2.0, 1.0, 6, int(shape), x) for x in turns])
        assert torque.mean() == pytest.approx(2.0, abs=1e-5)
        assert torque.max() == pytest.approx(3.0, abs=1e-5)
        assert np.allclose(torque[:1000], torque[1000:2000], atol=1e-6)  # six pulses a turn
    assert load_torque(0.1, 1.0, 6, int(Pulsation.SINE), -1 / 24) == 0.0  # never drives


@pytest.mark.parametrize("wrong", [{"mean": -1.0}, {"pulsation": math.nan}, {"pulses": -1}])
def test_impossible_loads_are_refused(wrong):
    with pytest.raises(ValueError, match="load:"):
        LoadParameters(**wrong)


def test_shaft_samples_come_at_1_khz_once_each(scripted):
    drive = Drive(DriveParameters(sensing=SensingParameters.ideal()), scripted().commutate(0.4), 1)
    drive.set_supply(24.0, 10.0, True)
    times, angles, speeds = [], [], []
    for _ in range(90):
        drive.advance(0.0033)
        t, a, s = drive.shaft_samples()
        times.append(t)
        angles.append(a)
        speeds.append(s)
    time, angle, speed = map(np.concatenate, (times, angles, speeds))
    assert np.allclose(time, 1e-3 * np.arange(1, len(time) + 1), atol=1e-12)
    assert len(time) == 297
    derived = np.gradient(angle, time) / 6
    assert np.abs(derived - speed)[5:-5].max() < 0.02 * speed.max()


def test_shaft_samples_are_the_last_ones_and_nobody_elses(scripted):
    drive = Drive(DriveParameters(sensing=SensingParameters.ideal()), scripted().commutate(0.4), 1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(1.0)
    kept = drive.shaft_samples()
    copies = [part.copy() for part in kept]
    drive.advance(1e-3 * (SHAFT_LOG + 500))  # past the end of the memory, and more than it holds
    time, _, _ = drive.shaft_samples()
    assert len(time) == SHAFT_LOG
    assert time[-1] == pytest.approx(1.5 + 1e-3 * SHAFT_LOG)
    assert np.allclose(np.diff(time), 1e-3)
    for part, copy in zip(kept, copies, strict=True):
        assert np.array_equal(part, copy)
    assert [part.size for part in drive.shaft_samples()] == [0, 0, 0]
