"""The field-oriented example spins the motor from phase currents and Hall sensors."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import anycrc
import numpy as np
import pytest

from hil.twin import library
from hil.twin.drive import Drive
from hil.twin.load import LoadParameters
from hil.twin.parameters import DriveParameters

SOURCES = Path(__file__).parents[2] / "testplans" / "firmware" / "field_oriented"
CRC = anycrc.Model("CRC16-IBM-3740")


@pytest.fixture(scope="module")
def built():
    if library.compiler() is None:
        pytest.skip("no C compiler on this machine")
    return library.build(
        sorted(SOURCES.glob("*.c")), flags=["-Werror", "-Wconversion", "-Wno-sign-conversion"]
    )


@pytest.fixture
def bench(built):
    def make(angle=10.0, shunts=True, voltage=24.0):
        base = DriveParameters()
        parameters = replace(
            base,
            motor=replace(base.motor, initial_angle_deg=angle),
            sensing=replace(base.sensing, phase_shunts=shunts),
            load=LoadParameters(mean=0.03, pulsation=0.012, pulses=3),
        )
        drive = Drive(parameters, library.load(built), seed=3)
        drive.set_supply(voltage, 10.0, True)
        drive.advance(0.05)
        return drive

    return make


def ask(drive, line):
    drive.drain()
    drive.feed(line.encode() + b"\n")
    drive.advance(0.01)
    return drive.drain()


def sealed(text):
    raw = text.encode()
    return raw + b"*%04X\n" % CRC.calc(raw)


def run(drive, seconds):
    """Speeds while `seconds` pass, with a word to the board now and then."""
    drive.shaft_samples()
    parts = []
    while seconds > 0.0:
        drive.advance(min(0.5, seconds))
        ask(drive, "id")
        parts.append(drive.shaft_samples()[2])
        seconds -= 0.5
    return np.concatenate(parts)


def telemetry(drive):
    ask(drive, "stream,200")
    drive.advance(0.03)
    lines = drive.drain().splitlines()
    ask(drive, "stream,0")
    return [int(field) for field in lines[-2].split(b"*")[0].split(b",")[1:]]


@pytest.mark.parametrize("angle", [2.0, 17.0, 32.0, 47.0, 62.0, 77.0])
@pytest.mark.parametrize("speed", [500, -2000, 4000])
def test_starts_from_any_angle(bench, speed, angle):
    drive = bench(angle)
    assert ask(drive, f"start,{speed}") == sealed("done,start")
    course = run(drive, abs(speed) / 4000 + 0.5)
    assert drive.firmware_fault == ""
    assert course[-240:].mean() == pytest.approx(speed, rel=0.02)
    assert np.sign(speed) * course.min() > -60 if speed > 0 else course.max() < 60
    assert np.abs(course).max() < abs(speed) * 1.1 + 150


def test_currents_are_sinusoidal_at_right_angles_to_the_flux(bench):
    """d current is held at nothing: with the current in phase with the back-EMF, the peak phase
    current is torque / (1.5 x fundamental of the back-EMF). A trapezoid of height 1 that is flat
    over 120 degrees has the fundamental 4/pi x sin(30 deg) / (pi/6) = 1.216."""
    drive = bench()
    ask(drive, "start,3000")
    run(drive, 1.2)
    drive.clear_peaks()
    currents = []
    for _ in range(400):
        drive.advance(1 / 20_000)
        currents.append(drive.phase_currents)
    amplitude = np.sqrt(2.0 * np.mean(np.square(currents)))
    torque = 0.03 + 0.002 + 0.002 * 3000 / 4000
    expected = torque / (1.5 * 1.216 * 0.040 / 2.0)
    assert amplitude == pytest.approx(expected, rel=0.2)
    assert drive.current_peak < 1.7 * amplitude


def test_reverses_and_stops(bench):
    drive = bench()
    ask(drive, "start,1500")
    run(drive, 1.0)
    assert ask(drive, "speed,-1500") == sealed("done,speed")
    drive.clear_peaks()
    course = run(drive, 1.5)
    assert course[-200:].mean() == pytest.approx(-1500, rel=0.02)
    assert drive.dc_link_peak < 32.0
    assert ask(drive, "stop") == sealed("done,stop")
    run(drive, 1.0)
    assert abs(drive.speed_rpm) < 1.0
    assert telemetry(drive)[2] == 0


def test_a_held_shaft_trips_latches_and_recovers(bench):
    drive = bench()
    ask(drive, "start,2000")
    run(drive, 1.0)
    drive.set_brake(0.8)
    run(drive, 0.5)
    state, faults = telemetry(drive)[2:4]
    assert (state, faults) == (5, 2)
    assert drive.current_peak < 9.0
    drive.set_brake(0.0)
    assert ask(drive, "start,2000") == sealed("refused,start,2")
    assert abs(run(drive, 0.3)[-1]) < 1.0
    assert ask(drive, "clear") == sealed("done,clear")
    assert abs(run(drive, 0.3)[-1]) < 1.0
    ask(drive, "start,1000")
    assert run(drive, 1.0)[-200:].mean() == pytest.approx(1000, rel=0.02)


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        ("id", "id,DOSING-DRIVE,1.0.0-FOC,F0C00001"),
        ("sense,0", "done,sense"),
        ("sense,1", "refused,sense,3"),  # there is no back-EMF sensing
        ("start,499", "refused,start,3"),
        ("start,-4001", "refused,start,3"),
        ("speed,2000", "done,speed"),
        ("stop", "done,stop"),
        ("clear", "done,clear"),
        ("stream,1001", "refused,stream,3"),
        ("nonsense", "refused,nonsense,4"),
        ("stop*0000", ""),
    ],
)
def test_answers(bench, command, answer):
    assert ask(bench(), command) == (sealed(answer) if answer else b"")


def test_telemetry_tells_what_is(bench):
    drive = bench()
    ask(drive, "start,2000")
    run(drive, 1.2)
    _, time, state, faults, speed, target, current, peak, volts, degrees = telemetry(drive)
    assert (state, faults, target) == (3, 0, 2000)
    assert time == pytest.approx(drive.time * 1e6, abs=20_000)
    assert speed == pytest.approx(2000, rel=0.02)
    assert 600 < current < 1200
    assert peak < 2500
    assert volts == pytest.approx(24_000, rel=0.01)
    assert 200 < degrees < 600


def test_without_phase_shunts_it_refuses_to_turn(bench):
    drive = bench(shunts=False)
    ask(drive, "start,2000")
    assert np.abs(run(drive, 0.3)).max() < 1.0
    assert telemetry(drive)[2:4] == [5, 1]


def test_a_broken_hall_wire_and_a_silent_host_stop_it(bench):
    drive = bench()
    ask(drive, "start,1500")
    run(drive, 0.8)
    drive.set_line("hall-b", False)
    drive.advance(0.2)
    assert telemetry(drive)[2:4] == [5, 32]
    drive = bench()
    ask(drive, "start,1500")
    drive.advance(2.2)
    assert telemetry(drive)[2:4] == [5, 128]


@pytest.mark.parametrize("line", ["temperature-open", "temperature-short"])
def test_a_broken_temperature_sensor_stops_it(bench, line):
    drive = bench()
    ask(drive, "start,1500")
    run(drive, 0.3)
    assert telemetry(drive)[2:4] == [3, 0]
    drive.set_line(line, False)
    drive.advance(0.02)
    assert telemetry(drive)[2:4] == [5, 16]
