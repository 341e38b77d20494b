"""Torque of the simulated brake."""

from __future__ import annotations

import math

import pytest

from hil.twin.instruments.brake import SimulatedBrake
from hil.twin.world import World


def test_torque_reaches_the_drive(drive) -> None:
    brake = SimulatedBrake(drive, max_torque=1.5)
    assert drive.brake == 0.0
    brake.execute("TORQ 0.25")
    assert drive.brake == 0.25
    assert [float(v) for v in brake.execute("TORQ?;TORQ? MAX").split(";")] == [0.25, 1.5]
    brake.execute("SOURCE:TORQUE:LEVEL 250 MNM")
    assert drive.brake == pytest.approx(0.25)
    brake.execute("TORQ 0")
    assert drive.brake == 0.0


def test_out_of_range_is_refused(drive) -> None:
    brake = SimulatedBrake(drive, max_torque=1.5)
    brake.execute("TORQ 1;TORQ 1.6;TORQ -0.1")
    assert drive.brake == 1.0
    # Q9 (V-D): -222 data out of range
    assert brake.execute("SYST:ERR?").startswith("-222")
    assert brake.execute("SYST:ERR?").startswith("-222")


def test_reset_and_power_off_release(drive) -> None:
    brake = SimulatedBrake(drive)
    brake.execute("TORQ 1")
    brake.execute("*RST")
    assert drive.brake == 0.0
    assert float(brake.execute("TORQ?")) == 0.0
    brake.execute("TORQ 1")
    brake.power_off()
    assert drive.brake == 0.0


def test_delay_is_kept_to_the_period(drive) -> None:
    brake = SimulatedBrake(drive, delay=0.0123)
    world = World(drive, {"brake": brake})
    world.advance(0.1)
    seen: list[tuple[float, float]] = []
    original = drive.set_brake
    drive.set_brake = lambda torque: (seen.append((drive.time, torque)), original(torque))
    brake.execute("TORQ 0.5")
    assert float(brake.execute("TORQ?")) == 0.5, "the set point reads back at once"
    world.advance(0.004)
    brake.execute("TORQ 0.7")
    world.advance(0.1)
    assert [torque for _, torque in seen] == [0.5, 0.7]
    assert seen[0][0] == pytest.approx(0.1123, abs=60e-6)
    assert seen[1][0] == pytest.approx(0.1163, abs=60e-6)
    assert brake.due() == math.inf


def test_reset_cancels_a_torque_on_its_way(drive) -> None:
    brake = SimulatedBrake(drive, delay=0.01)
    world = World(drive, {"brake": brake})
    brake.execute("TORQ 0.5;*RST")
    world.advance(0.1)
    assert drive.brake == 0.0
