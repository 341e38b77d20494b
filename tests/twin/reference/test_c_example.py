"""The C firmware of testplans/firmware does on the simulated drive what the reference does."""

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
from hil.twin.reference import binding

SOURCES = Path(__file__).parents[3] / "testplans" / "firmware" / "dosing_drive"
CRC = anycrc.Model("CRC16-IBM-3740")
BOTH = pytest.mark.parametrize("sensing", [0, 1], ids=["hall", "back-emf"])


@pytest.fixture(scope="module")
def built():
    if library.compiler() is None:
        pytest.skip("no C compiler on this machine")

    def build(**defines):
        return library.build(sorted(SOURCES.glob("*.c")), flags=["-Werror"], defines=defines)

    return build


def bench(firmware, *, angle=10.0, load=0.03, voltage=24.0):
    base = DriveParameters()
    parameters = replace(
        base,
        motor=replace(base.motor, initial_angle_deg=angle),
        load=LoadParameters(mean=load, pulsation=0.012, pulses=3),
    )
    drive = Drive(parameters, firmware, seed=3)
    drive.set_supply(voltage, 10.0, True)
    drive.advance(0.05)
    return drive


def ask(drive, line):
    drive.drain()
    drive.feed(line.encode() + b"\n")
    drive.advance(0.01)
    return drive.drain()


def sealed(text):
    raw = text.encode()
    return raw + b"*%04X\n" % CRC.calc(raw)


def mean(drive, seconds=0.24):
    drive.shaft_samples()
    drive.advance(seconds)
    return drive.shaft_samples()[2].mean()


def last_telemetry(drive):
    ask(drive, "stream,200")
    drive.advance(0.05)
    lines = drive.drain().splitlines()
    fields = lines[-2].split(b"*")[0].split(b",")
    ask(drive, "stream,0")
    return [int(f) for f in fields[1:]]


@BOTH
@pytest.mark.parametrize("speed", [1000, -1000, 3000, -3000])
def test_starts_both_ways(built, sensing, speed):
    path = built()
    for angle in np.arange(0.0, 90.0, 15.0) + 2.0:
        drive = bench(library.load(path), angle=float(angle))
        assert ask(drive, f"sense,{sensing}") == sealed("done,sense")
        assert ask(drive, f"start,{speed}") == sealed("done,start")
        drive.advance(abs(speed) / 4000 + 0.7)
        assert drive.firmware_fault == ""
        assert mean(drive) == pytest.approx(speed, rel=0.01)


@BOTH
@pytest.mark.parametrize(("voltage", "load"), [(20.0, 0.05), (28.0, 0.0), (28.0, 0.05)])
def test_starts_over_supply_and_load(built, sensing, voltage, load):
    drive = bench(library.load(built()), voltage=voltage, load=load)
    ask(drive, f"sense,{sensing}")
    ask(drive, "start,1500")
    drive.advance(1.2)
    assert mean(drive) == pytest.approx(1500, rel=0.01)


@BOTH
def test_same_course_as_the_reference(built, sensing):
    courses = []
    for firmware in (library.load(built()), binding()):
        drive = bench(firmware)
        ask(drive, f"sense,{sensing}")
        ask(drive, "start,2000")
        drive.shaft_samples()
        drive.advance(1.4)
        ask(drive, "speed,-1000")
        drive.advance(1.8)
        ask(drive, "stop")
        drive.advance(0.8)
        courses.append(drive.shaft_samples()[2])
    # single against double precision moves single commutations by a period, not the manoeuvre
    error = np.abs(courses[0] - courses[1])
    assert np.mean(error) < 15.0
    assert np.quantile(error, 0.9) < 40.0


@pytest.mark.parametrize(
    "command",
    ["id", "start,499", "start,x", "start", "speed,2000", "speed,-4001", "stop", "stop,1", "clear",
     "sense,1", "sense,2", "stream,0", "stream,1001", "nonsense", "start,500*0000", "speed,"],
)  # fmt: skip
def test_answers_as_the_reference_does(built, command):
    answers = [ask(bench(f), command) for f in (library.load(built(BUILD='"5EED0001"')), binding())]
    assert answers[0] == answers[1]


def test_identity(built):
    drive = bench(library.load(built()))
    assert ask(drive, "id") == sealed("id,DOSING-DRIVE,1.0.0,C0DE0001")


def test_telemetry(built):
    drive = bench(library.load(built()))
    ask(drive, "start,2000")
    drive.advance(1.2)
    _, time, state, faults, speed, target, current, peak, volts, degrees = last_telemetry(drive)
    assert (state, faults, target) == (3, 0, 2000)
    assert time == pytest.approx(drive.time * 1e6, abs=20_000)
    assert speed == pytest.approx(2000, rel=0.02)
    assert 600 < current < 1000 <= peak + 200
    assert volts == pytest.approx(24_000, rel=0.01)
    assert 200 < degrees < 600


@BOTH
def test_stall_trips_latches_and_recovers(built, sensing):
    drive = bench(library.load(built()))
    ask(drive, f"sense,{sensing}")
    ask(drive, "start,2000")
    drive.advance(1.2)
    drive.set_brake(0.5)
    drive.advance(0.4)
    state, faults = last_telemetry(drive)[2:4]
    assert (state, faults) == (5, 2)
    assert drive.current_peak < 9.0
    drive.set_brake(0.0)
    assert ask(drive, "start,2000") == sealed("refused,start,2")
    assert abs(mean(drive, 0.5)) < 1
    assert ask(drive, "clear") == sealed("done,clear")
    assert abs(mean(drive, 0.5)) < 1
    ask(drive, "start,1000")
    drive.advance(1.2)
    assert mean(drive) == pytest.approx(1000, rel=0.01)


def test_over_voltage_and_broken_hall_wire(built):
    path = built()
    drive = bench(library.load(path))
    drive.set_supply(46.0, 10.0, True)
    drive.advance(0.3)
    assert last_telemetry(drive)[2:4] == [5, 4]
    assert ask(drive, "clear") == sealed("refused,clear,2")
    drive = bench(library.load(path))
    ask(drive, "start,1500")
    drive.advance(0.8)
    drive.set_line("hall-b", False)
    drive.advance(0.1)
    assert last_telemetry(drive)[2:4] == [5, 32]


def test_every_tunable_can_be_set_from_outside(built):
    drive = bench(library.load(built(MIN_SPEED="300", DRIVE_LIMIT="3.0f")))
    assert ask(drive, "start,300") == sealed("done,start")
    drive.set_brake(1.0)
    drive.clear_peaks()
    drive.advance(0.14)
    assert 2.5 < drive.current_peak < 3.6


def test_two_boards_keep_their_own_variables(built):
    path = built()
    first, second = bench(library.load(path)), bench(library.load(path))
    ask(first, "start,1000")
    first.advance(0.8)
    second.advance(0.8)
    assert abs(first.speed_rpm) > 900
    assert second.speed_rpm == 0.0


def test_reset_is_a_power_up(built):
    firmware = library.load(built())
    drive = bench(firmware)
    ask(drive, "sense,1")
    ask(drive, "start,1000")
    drive.advance(0.9)
    drive.restart_board()
    drive.advance(1.0)
    assert abs(drive.speed_rpm) < 1
    assert last_telemetry(drive)[2:6] == [0, 0, 0, 0]


@pytest.mark.parametrize("line", ["temperature-open", "temperature-short", "temperature-86"])
def test_a_hot_stage_and_a_broken_sensor_stop_it(built, line):
    drive = bench(library.load(built()))
    ask(drive, "start,1500")
    drive.advance(0.5)
    drive.set_line("temperature-73", False)  # hotter, and the current that is left stalls it
    assert last_telemetry(drive)[2:4] == [3, 0]
    drive.set_line(line, False)
    assert last_telemetry(drive)[2:4] == [5, 16]


def test_the_current_limit_falls_with_the_temperature(built):
    found = []
    for degrees in (25, 65, 70, 75):
        drive = bench(library.load(built()))
        drive.set_line(f"temperature-{degrees}", False)
        ask(drive, "start,1500")
        drive.advance(0.5)
        drive.set_brake(1.0)
        drive.advance(0.1)
        found.append(last_telemetry(drive)[6])
    assert found == pytest.approx([6000, 6000, 4000, 2000], rel=0.02)
