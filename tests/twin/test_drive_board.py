"""The board: its serial line, its converters, and firmware that misbehaves."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from hil.twin.drive import Drive
from hil.twin.parameters import DriveParameters, SensingParameters
from hil.twin.port import BUTTON_STOP, BUTTON_TRIP


def running(scripted, sensing: SensingParameters | None = None, seed: int = 1, duty: float = 0.5):
    firmware = scripted().commutate(duty)
    drive = Drive(DriveParameters(sensing=sensing or SensingParameters()), firmware, seed)
    drive.set_supply(24.0, 10.0, True)
    return drive, firmware


def test_bytes_arrive_at_the_baud_rate(scripted):
    drive = Drive(replace(DriveParameters(), baud=115_200), scripted(), seed=1)
    message = bytes(range(200))
    drive.feed(message)
    last = 0.0
    for _ in range(1000):
        drive.advance(1 / 20_000)
        head = int(drive.firmware.set["head"])
        arrived = math.floor((drive.time - 1 / 20_000) * 11_520 + 1e-6)
        assert head == min(200, arrived)
        last = drive.time if head < 200 else last
    assert last == pytest.approx(200 / 11_520, abs=1e-4)
    assert drive.firmware.set["echo"][:200].tobytes() == message


def test_bytes_leave_at_the_baud_rate(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    message = bytes(range(200))
    drive.firmware.set["echo"][:200] = np.frombuffer(message, np.uint8)
    drive.firmware.set["head"] = 200
    got = b""
    for _ in range(300):
        drive.advance(1 / 20_000)
        got += drive.drain()
        assert len(got) <= drive.time * 23_040 + 1e-6
    assert got == message
    assert drive.drain() == b""


def test_a_long_conversation_loses_nothing(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    data = np.random.default_rng(1).integers(0, 256, 20_000).astype(np.uint8).tobytes()
    drive.feed(data)
    drive.advance(1.0)
    assert drive.drain() == data


def test_an_idle_line_starts_afresh(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    for text in (b"first", b"second"):
        drive.advance(0.1)
        before = drive.time
        drive.feed(text)
        drive.advance(0.0005)
        assert drive.firmware.set["received_at"] >= before
        drive.advance(0.0005)
        assert drive.drain() == text


def test_the_firmware_is_called_once_a_period_with_its_time(scripted):
    drive = Drive(DriveParameters(), scripted(), seed=1)
    for _ in range(1000):
        drive.advance(33e-6)
    assert drive.firmware.set["calls"] == round(0.033 * 20_000)
    assert drive.firmware.set["time"] == pytest.approx(0.033 - 50e-6, abs=1e-9)
    drive.restart_board()
    drive.advance(50e-6)
    assert drive.firmware.set["time"] == 0


@pytest.mark.parametrize(
    ("duty", "drive_word", "text"),
    [
        (1.5, 1, r"duty 1.5 on leg A, expected 0 to 1, at 0.10\d+ s"),
        (-0.001, 2, "duty -0.001 on leg A"),
        (math.nan, 1, "duty nan on leg A"),
        (0.5, 3, "drive value 3 on leg A, expected 0, 1 or 2"),
    ],
)
def test_impossible_commands_switch_all_gates_off(scripted, duty, drive_word, text):
    drive, firmware = running(scripted)
    drive.advance(0.1)
    assert drive.firmware_fault == ""
    firmware.hold([drive_word, 1, 1], [duty, 0.5, 0.0])
    drive.advance(0.001)
    firmware.commutate(0.5)
    drive.advance(0.05)
    assert drive.phase_currents == (0, 0, 0)
    assert re.search(text, drive.firmware_fault), drive.firmware_fault
    drive.restart_board()
    drive.advance(0.01)
    assert drive.firmware_fault == ""
    assert any(drive.phase_currents)


def test_the_duty_of_a_floating_leg_is_ignored(scripted):
    drive, firmware = running(scripted)
    firmware.hold([0, 1, 1], [math.nan, 0.1, 0.0])
    drive.advance(0.01)
    assert drive.firmware_fault == ""


def test_writing_more_than_asked_for_is_told(scripted):
    drive, firmware = running(scripted)
    firmware.set["greedy"] = 1
    drive.advance(0.001)
    assert "port_transmit wrote more bytes" in drive.firmware_fault


def test_the_same_seed_gives_the_same_run_and_another_does_not(scripted):
    states = []
    for seed in (7, 7, 8):
        drive, firmware = running(scripted, seed=seed)
        readings = []
        for _ in range(50):
            drive.advance(0.002)
            readings.append(firmware.inputs()["v_bus"])
        states.append((drive._memory.tobytes(), readings))
    assert states[0] == states[1]
    assert states[0][1] != states[2][1]


def test_slicing_time_differently_changes_nothing(scripted):
    ends = []
    for slices in (1, 7, 400):
        drive, _ = running(scripted)
        for _ in range(slices):
            drive.advance(0.28 / slices)
        ends.append((drive.angle_deg, drive.dc_link_voltage, drive.steps))
    assert ends[0] == ends[1] == ends[2]


def test_converters_have_gain_offset_noise_range_and_steps(scripted):
    sensing = SensingParameters(
        current_range=20.0,
        current_bits=12,
        current_gain=1.02,
        current_offset=0.5,
        current_noise=0.05,
        voltage_range=20.0,
        voltage_bits=10,
        voltage_noise=0.0,
        phase_shunts=True,
    )
    firmware = scripted()
    drive = Drive(DriveParameters(sensing=sensing), firmware, seed=3)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.1)
    bus, phase = [], []
    for _ in range(2000):
        drive.advance(1 / 20_000)
        bus.append(float(firmware.inputs()["i_bus"]))
        phase.append(float(firmware.inputs()["i_phase"][1]))
    step = 40 / 4096
    assert np.allclose(np.array(bus) / step, np.round(np.array(bus) / step), atol=1e-3)
    for readings in (bus, phase):
        assert np.mean(readings) == pytest.approx(0.5, abs=0.005)
        assert np.std(readings) == pytest.approx(math.hypot(0.05, step / math.sqrt(12)), rel=0.06)
    assert abs(np.corrcoef(bus[:-1], bus[1:])[0, 1]) < 0.08
    assert abs(np.corrcoef(bus, phase)[0, 1]) < 0.08
    assert firmware.inputs()["v_bus"] == 20.0  # end of range


def test_without_phase_shunts_they_read_nan(scripted):
    drive, firmware = running(scripted)
    drive.advance(0.01)
    assert np.isnan(firmware.inputs()["i_phase"]).all()


def test_ideal_readings_are_true(scripted):
    firmware = scripted().hold([1, 1, 0], [0.1, 0, 0])
    rig = DriveParameters(sensing=SensingParameters.ideal(phase_shunts=True))
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.set_brake(1.0)
    drive.advance(0.2)
    inputs = firmware.inputs()
    phase = inputs["i_phase"].astype(float)
    assert phase[0] == pytest.approx(drive.phase_currents[0], rel=0.05)
    assert inputs["i_bus"] == pytest.approx(phase[0], rel=1e-6)  # high gate on in the middle
    assert phase[0] + phase[1] == pytest.approx(0, abs=1e-6)
    assert inputs["v_bus"] == pytest.approx(drive.dc_link_voltage, rel=1e-3)
    assert inputs["v_phase"][0] == pytest.approx(inputs["v_bus"] - 0.012 * phase[0], rel=1e-5)
    assert inputs["v_phase"][1] == pytest.approx(0.012 * phase[0], rel=1e-2)
    assert inputs["v_phase"][2] == pytest.approx(inputs["v_bus"] / 2, rel=0.01)
    assert inputs["t_stage"] == pytest.approx(drive.temperatures.junction, rel=1e-3)


def test_the_comparator_raises_the_trip_input(scripted):
    sensing = SensingParameters(comparator=3.0)
    firmware = scripted().hold([1, 1, 0], [0.1, 0, 0])
    drive = Drive(DriveParameters(sensing=sensing), firmware, seed=1)
    drive.set_supply(24.0, 20.0, True)
    drive.set_brake(1.0)
    drive.press(BUTTON_STOP)
    drive.set_pot(0.25)
    drive.advance(0.1)
    assert firmware.inputs()["buttons"] == BUTTON_STOP
    assert firmware.inputs()["pot"] == 0.25
    firmware.hold([1, 1, 0], [0.3, 0, 0])
    drive.advance(0.05)
    assert firmware.inputs()["buttons"] == BUTTON_STOP | BUTTON_TRIP


def test_the_bus_shunt_sees_energy_flowing_back_and_not_what_freewheels(scripted):
    rig = DriveParameters(sensing=SensingParameters.ideal())
    firmware = scripted().commutate(0.7)
    drive = Drive(rig, firmware, seed=1)
    drive.set_supply(24.0, 10.0, True)
    drive.advance(0.4)
    assert firmware.inputs()["i_bus"] > 0
    firmware.commutate(0.3)  # the back-EMF now exceeds the mean voltage
    drive.advance(0.004)
    assert firmware.inputs()["i_bus"] < -1
    firmware.hold([1, 1, 1], [0, 0, 0])  # all low gates on: the windings are shorted
    drive.advance(0.004)
    assert max(map(abs, drive.phase_currents)) > 1
    assert firmware.inputs()["i_bus"] == 0
    assert firmware.inputs()["v_phase"].max() < 0.2


def test_a_resistor_takes_the_place_of_the_temperature_sensor(scripted):
    drive, firmware = running(scripted, SensingParameters(substitute_temperature=87.5))
    for closed in (True, False, True):
        drive.set_line("temperature-sensor", closed)
        drive.advance(0.01)
        true = drive.temperatures.junction if closed else 87.5
        assert firmware.inputs()["t_stage"] == pytest.approx(true, abs=0.5)


def test_the_temperature_line_leaves_the_phases_alone(scripted):
    currents = []
    for closed in (True, False):
        drive, _ = running(scripted)
        drive.set_line("temperature-sensor", closed)
        drive.advance(0.02)
        currents.append(drive.phase_currents)
    assert currents[0] == currents[1]


def test_a_rung_of_the_ladder_takes_the_place_of_the_temperature_sensor(scripted):
    drive, firmware = running(scripted, SensingParameters(substitute_temperature=87.5))
    for line, reads in (
        ("temperature-72", 72.0),
        ("temperature-open", -60.0),
        ("temperature-short", 175.0),
        ("temperature-sensor", 87.5),
    ):
        drive.set_line(line, False)
        drive.advance(0.002)
        assert firmware.inputs()["t_stage"] == pytest.approx(reads)
        drive.set_line(line, True)
        drive.advance(0.002)
        assert firmware.inputs()["t_stage"] == pytest.approx(drive.temperatures.junction, abs=0.5)


@pytest.mark.parametrize("periods", [1, 4])
def test_a_line_is_broken_for_so_many_periods_and_no_more(scripted, periods):
    drive, firmware = running(scripted, SensingParameters())
    drive.advance(0.002)
    drive.break_line("temperature-sensor", periods * 50e-6)
    seen = []
    for _ in range(periods + 3):
        drive.advance(50e-6)
        seen.append(abs(firmware.inputs()["t_stage"] - 87.0) < 1e-3)
    assert seen.count(True) == periods
    assert not seen[-1]


def test_a_phase_is_not_broken_for_a_moment(scripted):
    drive, _ = running(scripted, SensingParameters())
    with pytest.raises(ValueError, match="no line 'phase-a' that can be broken"):
        drive.break_line("phase-a", 1e-3)
