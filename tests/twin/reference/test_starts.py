"""Starts on the simulated drive of the demo pump."""

from __future__ import annotations

import numpy as np
import pytest

from hil.twin.reference import state as st

#: Mechanical angles: 24 places of an electrical turn of 90 degrees, and between cogging steps.
ANGLES = [3.75 * k + 1.3 for k in range(24)]
BOTH = pytest.mark.parametrize("sensing", ["hall", "back-emf"])


def started(rig, sensing, speed, seconds, **conditions):
    r = rig(sensing, **conditions)
    assert r.ask(f"start,{speed}").startswith("done,start")
    return r, r.watch(seconds)


@BOTH
@pytest.mark.parametrize("speed", [1000, -1000])
@pytest.mark.parametrize("angle", ANGLES)
def test_from_every_angle_in_both_directions(rig, sensing, speed, angle):
    r, rows = started(rig, sensing, speed, 1.0, angle=angle)
    assert int(r.state["state"]) == st.RUN
    assert rows[-200:, 2].mean() == pytest.approx(speed, rel=0.01)
    assert rows[:, 3].max() == 0


#: All but full speed and full load at the lowest supply: back-EMF and drop, 16.8 V and 1.6 A times
#: 1.23 ohm, leave nothing to regulate with at 0.98 of 20 V.
CONDITIONS = [
    (speed, voltage, load)
    for speed in (-4000, 4000, 500)
    for voltage in (20.0, 24.0, 28.0)
    for load in (0.0, 0.03, 0.05)
    if not (voltage == 20.0 and load == 0.05 and abs(speed) == 4000)
]


@BOTH
@pytest.mark.parametrize(("speed", "voltage", "load"), CONDITIONS)
def test_over_supply_and_load(rig, sensing, speed, voltage, load):
    for angle in (7.0, 41.0, 67.0):
        r, rows = started(
            rig, sensing, speed, abs(speed) / 4000 + 0.9, angle=angle, load=load, voltage=voltage
        )
        assert int(r.state["state"]) == st.RUN, (angle, int(r.state["faults"]))
        assert rows[-240:, 2].mean() == pytest.approx(speed, rel=0.01)


@BOTH
@pytest.mark.parametrize("speed", [1000, 2000, -4000])
def test_overshoot_and_steady_error(rig, sensing, speed):
    r, rows = started(rig, sensing, speed, abs(speed) / 4000 + 0.8, angle=13.0)
    turning = np.abs(rows[:, 2])
    smooth = np.convolve(turning, np.full(10, 0.1), "valid")
    assert smooth.max() < 1.10 * abs(speed)
    period = 60.0 / (3 * abs(speed))  # of the load's pulsation
    window = round(round(0.3 / period) * period * 1000)
    assert turning[-window:].mean() == pytest.approx(abs(speed), rel=0.005)
    reported = []
    for _ in range(window):
        r.drive.advance(0.001)
        reported.append((float(r.state["speed_seen"]), r.drive.speed_rpm))
    seen, true = np.array(reported).T
    assert seen.mean() == pytest.approx(true.mean(), rel=0.005)


@BOTH
def test_slowest_speed_over_many_pulsations(rig, sensing):
    # 40 ms of pulsation carry the speed up and down by a tenth: the mean over 24 of them counts
    r, _ = started(rig, sensing, 500, 1.0, angle=13.0)
    rows = []
    for _ in range(960):
        r.drive.advance(0.001)
        rows.append((float(r.state["speed_seen"]), r.drive.speed_rpm))
    seen, true = np.array(rows).mean(axis=0)
    assert true == pytest.approx(500.0, rel=0.005)
    assert seen == pytest.approx(true, rel=0.005)


@pytest.mark.parametrize("speed", [500, -1000, 3000])
@pytest.mark.parametrize("load", [0.0, 0.03, 0.05])
def test_handover_dips_less_than_a_quarter(rig, speed, load):
    for angle in (3.0, 21.0, 39.0, 57.0, 75.0):
        r, rows = started(rig, "back-emf", speed, 1.2, angle=angle, load=load)
        turning = np.abs(rows[:, 2])
        hand_over = int(np.argmax(rows[:, 1] == st.RUN))
        assert hand_over > 250
        assert turning[hand_over : hand_over + 100].min() > 0.75 * turning[hand_over]
        assert int(r.state["state"]) == st.RUN


def test_states_of_a_back_emf_start_in_order_and_in_time(rig):
    _, rows = started(rig, "back-emf", 1000, 0.8, angle=50.0)
    states = rows[:, 1]
    assert list(dict.fromkeys(states)) == [st.ALIGN, st.RAMP, st.RUN]
    ramp = int(np.argmax(states == st.RAMP))
    assert ramp == pytest.approx(245, abs=3)  # 100 + 150 ms, less the 5 ms of the command
    assert np.argmax(states == st.RUN) < ramp + 250


@pytest.mark.parametrize("angle", ANGLES[::3])
def test_alignment_displaces_by_less_than_half_an_electrical_turn(rig, angle):
    # table M25 (P): at most 180 / p mechanical degrees; the second step adds 60 / p
    r, _ = started(rig, "back-emf", 1000, 0.23, angle=angle)
    assert int(r.state["state"]) == st.ALIGN
    assert abs(r.drive.speed_rpm) < 5.0
    assert abs(r.drive.angle_deg - angle) < (180.0 + 60.0) / 4 + 5.0


def test_hall_start_is_in_closed_loop_at_once(rig):
    _, rows = started(rig, "hall", 1000, 0.5, angle=50.0)
    assert set(rows[:, 1]) == {st.RUN}


@pytest.mark.parametrize(
    "motor",
    [
        {"inertia": 3e-5}, {"inertia": 0.9e-5}, {"resistance": 1.38}, {"resistance": 1.02},
        {"back_emf": 0.0432}, {"back_emf": 0.0368}, {"flat_width_deg": 90.0},
        {"flat_width_deg": 150.0}, {"cogging": 4e-3}, {"hall_error_deg": (5.0, -4.0, 3.0)},
    ],
    ids=str,
)  # fmt: skip
@BOTH
def test_motors_within_tolerance(rig, sensing, motor):
    for angle in (5.0, 50.0):
        r, rows = started(rig, sensing, -1500, 1.2, angle=angle, motor=motor)
        assert int(r.state["state"]) == st.RUN
        assert rows[-240:, 2].mean() == pytest.approx(-1500, rel=0.01)


@pytest.mark.parametrize("bridge", [{"output_delay": 1}, {"dead_time": 5e-7}], ids=str)
@BOTH
def test_bridges_that_answer_late(rig, sensing, bridge):
    r, rows = started(rig, sensing, 3000, 1.6, angle=33.0, bridge=bridge)
    assert int(r.state["state"]) == st.RUN
    assert rows[-200:, 2].mean() == pytest.approx(3000, rel=0.01)


@pytest.mark.parametrize("speed", [1000, -1000])
def test_a_blocked_rotor_fails_a_back_emf_start_without_a_retry(rig, speed):
    r = rig("back-emf", angle=20.0)
    r.drive.set_brake(1.0)
    r.ask(f"start,{speed}")
    rows = r.watch(1.0)
    assert int(r.state["faults"]) == st.START_FAILED
    assert list(dict.fromkeys(rows[:, 1])) == [st.ALIGN, st.RAMP, st.FAULT]
    assert np.argmax(rows[:, 1] == st.FAULT) < 700


def test_attempts_are_counted_and_visible(rig):
    r = rig("back-emf", angle=20.0, start_attempts=3)
    r.drive.set_brake(1.0)
    r.ask("start,1000")
    states = r.watch(2.2)[:, 1]
    changes = [int(s) for s in states[np.flatnonzero(np.diff(states, prepend=-1))]]
    assert changes == [st.ALIGN, st.RAMP] * 3 + [st.FAULT]


@pytest.mark.parametrize("speed", [1000, -1000])
def test_a_blocked_rotor_trips_a_hall_start(rig, speed):
    r = rig("hall", angle=20.0)
    r.drive.set_brake(1.0)
    r.ask(f"start,{speed}")
    rows = r.watch(0.5)
    assert int(r.state["faults"]) == st.STALL
    assert np.argmax(rows[:, 3] > 0) < 300


def test_the_same_seed_gives_the_same_run_to_the_last_digit(rig):
    ends = []
    for _ in range(2):
        r, rows = started(rig, "back-emf", 1500, 0.9, angle=12.0, seed=7)
        ends.append((rows.tobytes(), r.drive.angle_deg, r.state.tobytes()))
    assert ends[0] == ends[1]


def test_another_seed_gives_another_noise(rig):
    angles = {started(rig, "back-emf", 1500, 0.9, angle=12.0, seed=s)[0].drive.angle_deg
              for s in (1, 2)}  # fmt: skip
    assert len(angles) == 2
