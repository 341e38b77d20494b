"""Each seam of the reference firmware changes the one thing it says, and only when asked."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.drive import DriveState, Fault

RUN, FAULT, IDLE = int(DriveState.RUN), int(DriveState.FAULT), int(DriveState.IDLE)


def telemetry(board, periods=2000):
    """Fields of the telemetry lines of the next periods, as integers."""
    board.take()
    board.periods(periods)
    lines = [line for line in board.take().decode().split("\n") if line.startswith("t,")]
    return [[int(word) for word in line.partition("*")[0].split(",")[1:]] for line in lines]


def test_a_start_command_clears_a_fault(board):
    for seam, answer in ((0, b"refused,start,2"), (1, b"done,start")):
        one = board(defects={"start_in_fault": seam})
        one.inputs["t_stage"] = 120.0
        one.periods(2000)
        assert one.state["state"] == FAULT
        one.inputs["t_stage"] = 25.0
        one.periods(100)
        assert one.ask(b"start,1000\n").startswith(answer)


def test_a_clear_does_not_look_at_the_cause(board):
    for seam, answer in ((0, b"refused,clear,2"), (1, b"done,clear")):
        one = board(defects={"clear_unchecked": seam})
        one.inputs["t_stage"] = 120.0
        one.periods(2000)
        assert one.ask(b"clear\n").startswith(answer)


def test_set_points_are_cut(board):
    one = board(defects={"speed_step": 100})
    one.ask(b"start,-1270\n")
    assert one.state["target"] == -1200.0


def test_sensing_may_be_changed_while_turning(board):
    for seam, answer in ((0, b"refused,sense,1"), (1, b"done,sense")):
        one = board(defects={"sense_turning": seam})
        one.ask(b"start,1000\n")
        assert one.ask(b"sense,1\n").startswith(answer)


@pytest.mark.parametrize(("mask", "deaf"), [(0, ()), (1, (-1,)), (2, (1,)), (3, (-1, 1))])
def test_reversals_are_ignored_by_direction(board, mask, deaf):
    for way in (-1, 1):
        one = board(defects={"reverse_ignored": mask})
        one.ask(f"start,{-1000 * way}\n".encode())
        assert one.ask(f"speed,{1000 * way}\n".encode()).startswith(b"done")
        assert one.state["target"] == (-1000 if way in deaf else 1000) * way


def test_numbers_that_are_told_wrong(board):
    plain = board(stream_rate=200.0)
    for name, value, field, expected in (
        ("report_offset", 25.0, 4, 25),
        ("report_frozen", 0.0, 4, 0),
        ("report_drift", 100.0, 6, None),
        ("report_temperature_offset", -15.0, 9, 100),
        ("report_voltage_scale", 0.5, 8, 12000),
    ):
        one = board(stream_rate=200.0, defects={name: value})
        last = telemetry(one)[-1]
        healthy = telemetry(plain)[-1]
        assert last[field] != healthy[field] or name == "report_frozen"
        if expected is not None:
            assert last[field] == pytest.approx(expected, abs=5)


def test_numbers_of_the_frames(board):
    one = board(stream_rate=200.0, defects={"count_frames": 0})
    assert {frame[0] for frame in telemetry(one)} == {0}
    slow = board(defects={"stream_scale": 1.1})
    slow.ask(b"stream,200\n")
    times = [frame[1] for frame in telemetry(slow, 4000)]
    assert np.diff(times) == pytest.approx(5500, abs=1)


def test_a_fault_is_raised_but_not_told(board):
    one = board(stream_rate=200.0, defects={"report_fault_mask": int(Fault.OVER_TEMPERATURE)})
    one.inputs["t_stage"] = 120.0
    one.periods(2000)
    last = telemetry(one)[-1]
    assert (last[2], last[3]) == (FAULT, 0)
    assert one.state["faults"] == Fault.OVER_TEMPERATURE


def test_one_code_is_missing_in_the_hall_table(record):
    assert (
        record(defects={"hall_lost_code": 4})["hall_table"] == [-1, 1, 3, 2, -1, 0, 4, -1]
    ).all()
    assert (record()["hall_table"] == [-1, 1, 3, 2, 5, 0, 4, -1]).all()


def test_the_shaft_turns_the_other_way_and_nothing_tells(rig):
    one = rig(stream_rate=200.0, defects={"turn_sign": -1})
    one.ask("start,1500")
    one.drive.advance(1.0)
    assert one.drive.speed_rpm == pytest.approx(-1500.0, abs=30.0)
    one.drive.drain()
    one.drive.advance(0.05)
    told = [line.split(",") for line in one.drive.drain().decode().split("\n") if "t," in line]
    assert int(told[1][5]) == pytest.approx(1500, abs=30)
    assert int(told[1][6]) == 1500


def test_speed_is_measured_wrong_counter_clockwise_only(rig):
    for speed, true in ((1500, 1500.0), (-1500, -1500.0 / 0.97)):
        one = rig(defects={"speed_scale_reverse": 0.97})
        one.ask(f"start,{speed}")
        one.drive.advance(1.5)
        assert np.mean(one.speeds(0.5)) == pytest.approx(true, rel=0.01)


def test_speed_drifts_with_uptime(rig):
    one = rig(defects={"drift": 0.01})
    one.ask("start,1500")
    one.drive.advance(2.0)
    early = float(np.mean(one.speeds(0.5)))
    one.drive.advance(3.0)
    assert float(np.mean(one.speeds(0.5))) == pytest.approx(early * 1.035, rel=0.01)


def test_a_stop_at_speed_is_not_heard(rig):
    for limit, turning in ((1000.0, True), (3000.0, False)):
        one = rig(defects={"stop_deaf_above": limit})
        one.ask("start,2000")
        one.drive.advance(1.0)
        assert one.ask("stop").startswith("done,stop")
        one.drive.advance(1.5)
        assert (abs(one.drive.speed_rpm) > 1000.0) is turning


def test_a_stop_that_coasts_is_idle_at_once(rig):
    one = rig(defects={"stop_coasts": 1})
    one.ask("start,2000")
    one.drive.advance(1.0)
    one.ask("stop")
    assert one.state["state"] == IDLE
    assert one.drive.speed_rpm > 1000.0


def test_the_drive_quits_by_itself(rig):
    one = rig(defects={"quit_after": 1.0})
    one.ask("start,1500")
    one.drive.advance(0.8)
    assert one.drive.speed_rpm > 1400.0
    one.drive.advance(1.5)
    assert abs(one.drive.speed_rpm) < 50.0
    assert one.state["faults"] == 0


def test_a_drive_that_nobody_started_starts_by_itself(rig):
    one = rig(defects={"wake_after": 1.0})
    one.drive.advance(0.9)
    assert (one.state["state"], one.drive.speed_rpm) == (IDLE, pytest.approx(0.0, abs=0.1))
    one.drive.advance(1.0)
    assert one.state["state"] == RUN
    assert one.drive.speed_rpm > 300.0


def test_a_drive_that_was_started_and_stopped_stays_where_it_is(rig):
    one = rig(defects={"wake_after": 2.5})
    one.ask("start,1000")
    one.drive.advance(0.8)
    one.ask("stop")
    one.drive.advance(1.0)
    assert one.state["state"] == IDLE
    one.drive.advance(2.0)
    assert one.state["state"] == IDLE


def test_a_start_that_is_put_off(rig):
    one = rig(defects={"start_delay": 0.2})
    one.ask("start,1500")
    one.drive.advance(0.19)
    assert one.state["state"] == IDLE
    one.drive.advance(0.6)
    assert one.drive.speed_rpm == pytest.approx(1500.0, rel=0.05)


def test_a_start_that_is_put_off_can_be_taken_back(rig):
    one = rig(defects={"start_delay": 0.2})
    one.ask("start,1500")
    one.drive.advance(0.1)
    one.ask("stop")
    one.drive.advance(0.5)
    assert one.state["state"] == IDLE


def test_a_load_restarts_the_program(rig):
    one = rig(defects={"reset_above": 3.0})
    one.ask("start,2000")
    one.drive.advance(1.0)
    assert one.state["state"] == RUN
    one.drive.set_brake(0.15)
    one.drive.advance(0.3)
    assert (one.state["state"], one.state["target"]) == (IDLE, 0.0)
    # its clock has begun anew, with the load at 1 s at the earliest
    assert 0.0 < one.state["time_us"] <= 0.3e6


def test_after_the_first_trip_it_is_blind(rig):
    one = rig(defects={"blind_after_trip": 1})
    for tripped in (True, False):
        one.drive.set_brake(0.0)
        one.drive.advance(0.3)
        one.ask("clear")
        one.ask("start,1500")
        one.drive.advance(1.0)
        one.drive.set_brake(0.8)
        one.drive.advance(0.5)
        assert bool(one.state["state"] == FAULT) is tripped


def test_both_anti_windup_measures_can_be_taken_out(record):
    assert record()["ahead"] == 200.0
    assert record(defects={"ahead": 1e9, "tracking": 0.0})["tracking"] == 0.0


@pytest.mark.parametrize(("seam", "state"), [("start_missed", IDLE), ("start_trips", FAULT)])
def test_chance_hits_about_as_often_as_it_says(rig, seam, state):
    one = rig(defects={seam: 0.25})
    hits, count = 0, 80
    for _ in range(count):
        one.ask("start,800")
        hit = one.state["state"] == state
        hits += hit
        if not hit:
            one.drive.set_supply(24.0, 10.0, True)
            one.ask("stop")
            one.drive.advance(0.25)
        one.ask("clear")
        one.drive.advance(0.01)
    # 80 trials at 0.25: 20 expected, standard deviation 3.9; four of them either way.
    assert 5 <= hits <= 35


def _in_fault(board, **seams):
    """A board that was too hot for a moment, with 1000 rpm asked for."""
    one = board(defects=seams)
    one.ask(b"start,1000\n")
    one.inputs["t_stage"] = 120.0
    one.periods(400)
    one.inputs["t_stage"] = 25.0
    one.periods(100)
    assert one.state["state"] == FAULT
    return one


@pytest.mark.parametrize(("seam", "after"), [(0, FAULT), (1, IDLE)])
def test_a_stop_clears_a_fault(board, seam, after):
    one = _in_fault(board, stop_clears=seam)
    one.ask(b"stop\n")
    assert one.state["state"] == after


@pytest.mark.parametrize(("seam", "after"), [(0, FAULT), (1, RUN)])
def test_a_set_point_starts_after_a_fault(board, seam, after):
    one = _in_fault(board, speed_restarts=seam)
    one.ask(b"speed,1200\n")
    assert one.state["state"] == after


@pytest.mark.parametrize(("seam", "driven"), [(0.0, False), (0.1, True)])
def test_the_gates_go_on_after_a_lost_link(board, seam, driven):
    one = board(link_timeout=0.05, defects={"off_late": seam})
    one.ask(b"start,1000\n")
    one.periods(1200)  # 60 ms
    assert one.state["faults"] == int(Fault.LINK_LOST)
    assert bool(one.state["bridge"] != 0) is driven
    one.periods(2400)
    assert one.state["bridge"] == 0
