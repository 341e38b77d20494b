"""Starts whose measures are known beforehand."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.budget import SAMPLING
from hil.core.drive import Direction, DriveState, Fault, Sensing
from hil.core.measure import Outcome

S = DriveState
T0, TARGET = 0.5, 2000.0  # the command; rpm


@pytest.fixture
def hall(lab):
    """A linear run-up: standing until 0.5 s, 2000 rpm from 1.5 s on."""
    return lab.Scene(
        end=4.0,
        speed=lab.ramps([(T0, 0.0), (1.5, TARGET)]),
        marks=[("supply-on", 0.1), ("command", T0)],
        states=[(0.0, S.IDLE), (0.51, S.RUN)],
        current=lab.steps_of([(0.0, 0.0), (T0, 5.0), (1.5, 1.0)]),
    )


@pytest.fixture
def sensorless(lab):
    """Align 0.51 to 0.81 s (7 deg back, then 20 deg forward), ramp to 500 rpm, dip, run-up."""
    speed = lab.ramps(
        [(0.81, 0.0), (1.31, 500.0), (1.35, 400.0), (1.40, 500.0), (2.4, TARGET)],
    )
    run = lab.ramps([(0.81, 20.0), (5.0, 20.0)])
    kick = lab.ramps([(0.51, 0.0), (0.55, -7.0), (0.65, 23.0), (0.7, 20.0)])

    def position(t):
        turned = np.concatenate(([0.0], np.cumsum(6.0 * speed(t[:-1]) * 0.001)))
        return 1000.0 + np.where(t < 0.81, kick(t), run(t) + turned)

    return lab.Scene(
        end=5.0,
        speed=speed,
        marks=[("command", T0)],
        states=[(0.0, S.IDLE), (0.51, S.ALIGN), (0.81, S.RAMP), (1.31, S.RUN)],
        position=position,
    )


def test_a_plain_hall_start(lab, hall):
    found = lab.measures("start", hall.trace())
    value = {name: m.value for name, m in found.items()}
    assert value["success"] == 1.0
    # 95 % of 2000 rpm at 0.95 s of a linear ramp
    assert value["time-to-speed"] == pytest.approx(0.95, abs=1e-6)
    assert value["settling-time"] == pytest.approx(0.95, abs=1e-6)
    assert value["overshoot"] == pytest.approx(0.0, abs=1e-9)
    assert value["steady-error"] == pytest.approx(0.0, abs=1e-9)
    assert value["ripple"] == pytest.approx(0.0, abs=1e-9)
    assert value["peak-current"] == pytest.approx(6.0)
    assert value["fault-count"] == 0.0
    assert value["backward-kick"] == pytest.approx(0.0, abs=1e-9)
    assert value["total-kick"] == pytest.approx(0.0, abs=0.2)


def test_a_hall_start_has_no_alignment_and_no_handover(lab, hall):
    found = lab.measures("start", hall.trace())
    for name in ("alignment-time", "handover-speed", "handover-dip"):
        assert found[name].outcome is Outcome.NOT_APPLICABLE, name
        assert found[name].detail


def test_a_sensorless_start(lab, sensorless):
    found = lab.measures("start", sensorless.trace(), sensing=Sensing.BACK_EMF)
    value = {name: m.value for name, m in found.items()}
    assert value["success"] == 1.0
    assert value["alignment-time"] == pytest.approx(0.3, abs=0.005)
    assert value["backward-kick"] == pytest.approx(7.0, abs=0.2)
    assert value["total-kick"] == pytest.approx(30.0, abs=0.2)
    # The change of state is placed within half a telemetry interval; 1000 rpm/s there.
    assert value["handover-speed"] == pytest.approx(495.0, abs=8.0)
    expected = 100.0 * (value["handover-speed"] - 400.0) / value["handover-speed"]
    assert value["handover-dip"] == pytest.approx(expected, abs=2.5)  # 10 ms mean of a corner
    assert found["handover-speed"].uncertainty == pytest.approx(2.0, abs=1.0)


def test_a_hall_start_that_kicks_back_has_a_total_kick(lab, hall):
    def position(t):
        back = np.interp(t, [0.5, 0.55, 0.6], [0.0, -12.0, -10.0])
        return back + np.where(t > 0.6, 3000.0 * (t - 0.6) ** 2, 0.0)

    hall.position = position
    found = lab.measures("start", hall.trace())
    assert found["backward-kick"].value == pytest.approx(12.0, abs=0.1)
    # peak to peak until the shaft is ahead of every angle it had: 12 deg back from 0
    assert found["total-kick"].value == pytest.approx(12.0, abs=0.3)


def test_either_direction_measures_the_same(lab, hall, sensorless):
    for scene, sensing in ((hall, Sensing.HALL), (sensorless, Sensing.BACK_EMF)):
        one = lab.measures("start", scene.trace(1), sensing=sensing)
        other = lab.measures(
            "start", scene.trace(-1), sensing=sensing, direction=Direction.COUNTER_CLOCKWISE
        )
        for name, m in one.items():
            assert other[name].outcome is m.outcome, name
            if m.value is not None:
                assert other[name].value == pytest.approx(m.value, rel=1e-9, abs=1e-9), name


def test_turning_the_wrong_way_is_no_success(lab, hall):
    found = lab.measures("start", hall.trace(-1))
    assert found["success"].value == 0.0
    assert found["time-to-speed"].outcome is Outcome.NEVER_REACHED
    assert found["overshoot"].outcome is Outcome.NEVER_REACHED
    assert found["backward-kick"].value > 10_000.0
    assert found["steady-error"].value == pytest.approx(-200.0)


def test_where_the_trace_begins_does_not_matter(lab, sensorless):
    one = lab.measures("start", sensorless.trace(), sensing=Sensing.BACK_EMF)
    other = lab.measures("start", sensorless.trace(shift=7.25), sensing=Sensing.BACK_EMF)
    for name, m in one.items():
        if m.value is not None:
            assert other[name].value == pytest.approx(m.value, rel=1e-6, abs=1e-6), name


def test_a_fault_on_the_way_is_no_success(lab, hall):
    hall.states = [(0.0, S.IDLE), (0.51, S.RUN), (1.0, S.FAULT), (1.2, S.RUN)]
    hall.faults = [(0.0, 0), (1.0, int(Fault.STALL)), (1.2, 0)]
    found = lab.measures("start", hall.trace())
    assert found["success"].value == 0.0
    assert "fault" in found["success"].detail
    assert found["fault-count"].value == 1.0


def test_a_drive_that_never_turns(lab, hall):
    hall.speed = lab.constant(0.0)
    found = lab.measures("start", hall.trace())
    assert found["success"].value == 0.0
    for name in ("time-to-speed", "overshoot", "settling-time", "ripple"):
        assert found[name].outcome is Outcome.NEVER_REACHED, name
    assert found["steady-error"].value == pytest.approx(-100.0)


def test_touching_the_band_and_falling_out_is_no_success(lab, hall):
    hall.speed = lab.ramps([(T0, 0.0), (1.5, TARGET), (2.0, TARGET), (2.5, 1500.0)])
    found = lab.measures("start", hall.trace())
    assert found["time-to-speed"].value == pytest.approx(0.95, abs=1e-6)
    assert found["success"].value == 0.0
    assert found["success"].detail == "at the end 1500 rpm, asked were 2000 ± 100 rpm"


def test_a_failed_start_says_what_the_drive_came_to_and_what_it_reported(lab, hall):
    hall.speed = lab.ramps([(T0, 0.0), (0.9, 500.0), (1.0, 500.0), (1.1, 0.0)])
    hall.states = [(0.0, S.IDLE), (T0, S.RUN), (1.0, S.FAULT)]
    hall.faults = [(0.0, 0), (1.0, int(Fault.UNDER_VOLTAGE | Fault.STALL))]
    found = lab.measures("start", hall.trace())
    assert found["success"].detail == (
        "at the end 0 rpm, asked were 2000 ± 100 rpm; reported fault: stall, under-voltage"
    )
    assert found["time-to-speed"].detail == (
        "the speed came no nearer than 500 rpm, asked were 2000 ± 100 rpm"
    )
    hall.faults = [(0.0, 0)]
    detail = lab.measures("start", hall.trace())["success"].detail
    assert detail.endswith("asked were 2000 ± 100 rpm; reported state: fault")


def test_reaching_speed_at_the_very_end_is_not_staying(lab, hall):
    hall.speed = lab.ramps([(T0, 0.0), (3.5, 1000.0), (3.95, 1000.0), (4.0, TARGET)])
    assert lab.measures("start", hall.trace())["success"].value == 0.0


@pytest.mark.parametrize(("held", "success"), [(0.07, 0.0), (0.15, 1.0)])
def test_at_speed_for_a_tenth_of_a_second_at_least(lab, hall, held, success):
    at = 4.0 - held
    hall.speed = lab.ramps([(T0, 0.0), (1.0, 1800.0), (at - 0.001, 1800.0), (at, TARGET)])
    assert lab.measures("start", hall.trace())["success"].value == success


def test_overshoot_ripple_and_steady_error(lab, hall):
    run_up = lab.ramps([(T0, 0.0), (1.5, 2200.0), (1.7, 2020.0)])
    hall.speed = lambda t: run_up(t) + np.where(t > 2.0, 10.0 * np.sin(2.0 * np.pi * 20.0 * t), 0.0)
    found = lab.measures("start", hall.trace())
    assert found["steady-error"].value == pytest.approx(1.0, abs=0.01)
    assert found["overshoot"].value == pytest.approx(
        100.0 * 180.0 / 2020.0,
        abs=0.1,  # the mean of 5 ms blunts the corner
    )
    ripple = 100.0 * 20.0 / 2020.0 * np.sinc(20.0 * 0.005)
    assert found["ripple"].value == pytest.approx(ripple, rel=0.01)


def test_the_judged_window_ends_at_the_next_command(lab, hall):
    hall.speed = lab.ramps([(T0, 0.0), (1.5, TARGET), (3.0, TARGET), (3.5, 0.0)])
    hall.marks = [*hall.marks, ("stop", 3.0)]
    found = lab.measures("start", hall.trace())
    assert found["success"].value == 1.0
    assert found["steady-error"].value == pytest.approx(0.0, abs=1e-6)


def test_a_hole_in_the_tachometer_is_missing_data(lab, hall):
    trace = lab.without(hall.trace(), "witness.speed", 2.0, 2.01)
    found = lab.measures("start", trace)
    for name in ("success", "time-to-speed", "overshoot", "settling-time"):
        assert found[name].outcome is Outcome.MISSING_DATA, name
    assert "gap" in found["success"].detail
    # The steady window lies after the hole, and the angle was captured.
    assert found["peak-current"].outcome is Outcome.VALUE
    assert found["backward-kick"].outcome is Outcome.VALUE


def test_one_lost_frame_is_no_hole(lab, hall):
    trace = lab.without(hall.trace(), "reported.peak", 2.0, 2.001)
    assert lab.measures("start", trace)["peak-current"].value == pytest.approx(6.0)


def test_missing_fault_bits_do_not_look_healthy(lab, hall):
    trace = lab.without(hall.trace(), "reported.fault", 1.0, 1.5)
    found = lab.measures("start", trace)
    assert found["success"].outcome is Outcome.MISSING_DATA
    assert found["fault-count"].outcome is Outcome.MISSING_DATA


def test_without_a_tachometer_the_reported_speed_stands_in_and_says_so(lab, hall):
    hall.leave_out = ("witness.speed",)
    found = lab.measures("start", hall.trace())
    assert found["success"].value == 1.0
    assert "no tachometer" in found["success"].detail
    assert "no tachometer" in found["time-to-speed"].detail
    assert found["speed-disagreement"].outcome is Outcome.MISSING_DATA


def test_a_tachometer_that_fell_silent_is_not_replaced(lab, hall):
    trace = lab.without(hall.trace(), "witness.speed", 0.0, 10.0)
    assert lab.measures("start", trace)["success"].outcome is Outcome.MISSING_DATA


def test_no_peak_channel(lab, hall):
    hall.leave_out = ("reported.peak",)
    found = lab.measures("start", hall.trace())["peak-current"]
    assert found.value == pytest.approx(5.0)
    assert "filtered" in found.detail


def test_too_short_for_a_steady_window(lab, hall):
    hall.end = 0.9
    found = lab.measures("start", hall.trace())
    assert found["steady-error"].outcome is Outcome.TOO_FEW_SAMPLES
    assert found["overshoot"].outcome is Outcome.TOO_FEW_SAMPLES


def test_a_ramp_that_never_hands_over(lab, sensorless):
    sensorless.states = [(0.0, S.IDLE), (0.51, S.ALIGN), (0.81, S.RAMP), (1.31, S.FAULT)]
    found = lab.measures("start", sensorless.trace(), sensing=Sensing.BACK_EMF)
    assert found["handover-speed"].outcome is Outcome.NEVER_REACHED
    assert found["handover-dip"].outcome is Outcome.NEVER_REACHED


def test_a_sensorless_start_without_alignment(lab, hall):
    found = lab.measures("start", hall.trace(), sensing=Sensing.BACK_EMF)
    assert found["alignment-time"].outcome is Outcome.NEVER_REACHED
    assert found["handover-speed"].outcome is Outcome.NOT_APPLICABLE


def test_time_to_speed_carries_its_uncertainty(lab, hall):
    m = lab.measures("start", hall.trace())["time-to-speed"]
    assert m.resolution == pytest.approx(0.001)
    # stamps 0.5 ms twice, 1900 rpm known to 1.13 rpm at 2000 rpm/s; a ramp does not bend
    level = np.hypot(0.001 * 1900.0, 0.5) / np.sqrt(3.0)
    parts = [0.0005, 0.0005, level / 2000.0]
    assert m.uncertainty == pytest.approx(np.sqrt(np.sum(np.square(parts))), rel=0.05)


def test_a_kick_is_as_uncertain_as_when_the_alignment_ends(lab, sensorless):
    """A shaft that turns at 1 deg/ms while the state changes between two frames 5 ms apart."""
    end = next(t for t, state in sensorless.states if state is S.RAMP)
    sensorless.position = lambda t: np.maximum(0.0, 1000.0 * (t - end + 0.02))
    found = lab.measures("start", sensorless.trace(), sensing=Sensing.BACK_EMF)["total-kick"]
    instant = [part for part in found.contributions if part.source == SAMPLING]
    # half a frame and the clock of the board (0.5 ms, rectangular), rectangular
    reach = 1000.0 * (0.0025 + np.sqrt(3.0) * 0.0005)
    assert len(instant) == 1
    assert instant[0].uncertainty == pytest.approx(reach / np.sqrt(3.0), abs=0.6)
