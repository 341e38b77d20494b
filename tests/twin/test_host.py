"""The firmware in this process, and the board without one."""

import numpy as np

from hil.twin.drive import Drive
from hil.twin.host import Here
from hil.twin.parameters import DriveParameters
from hil.twin.silent import silence


def test_a_binding_without_a_process_runs_here(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    assert isinstance(drive._host, Here)
    assert drive._host.memory is drive._memory
    drive.advance(0.01)
    drive.close()
    assert drive._host.gone == ""
    assert drive._host.resets() is None


def test_which_function_runs_is_noted_and_forgotten(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    drive.feed(b"abc")
    drive.advance(0.01)
    assert drive.drain() == b"abc"
    assert drive._state["inside"] == 0


def test_a_silent_board_does_nothing_and_the_motor_coasts(scripted):
    firmware = scripted().commutate(0.5)
    drive = Drive(DriveParameters(), firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.3)
    calls, speed = int(firmware.set["calls"]), drive.speed_rpm
    assert calls == 6000
    silence(drive._constants)
    firmware.outputs()["drive"] = 0
    drive.feed(b"anyone there?")
    drive.shaft_samples()
    drive.advance(0.1)
    assert int(firmware.set["calls"]) == calls
    assert drive.drain() == b""
    assert 0.0 < drive.speed_rpm < speed
    assert np.all(np.diff(drive.shaft_samples()[2][-80:]) < 0.0)
