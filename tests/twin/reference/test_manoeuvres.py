"""Stop, reversal, load, stall, supply and wire faults on the simulated drive."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from hil.twin.reference import state as st

BOTH = pytest.mark.parametrize("sensing", ["hall", "back-emf"])
EITHER_WAY = pytest.mark.parametrize("sign", [1, -1])


def running(rig, sensing, speed, **conditions):
    r = rig(sensing, angle=10.0, **conditions)
    r.ask(f"start,{speed}")
    r.drive.advance(abs(speed) / 4000 + 0.7)
    assert int(r.state["state"]) == st.RUN
    r.drive.clear_peaks()
    return r


@BOTH
@EITHER_WAY
@pytest.mark.parametrize("speed", [500, 1000, 2500])
def test_reversal(rig, sensing, sign, speed):
    r = running(rig, sensing, sign * speed)
    r.ask(f"speed,{-sign * speed}")
    rows = r.watch(2 * speed / 4000 + 1.2)
    order = list(dict.fromkeys(int(s) for s in rows[:, 1]))
    align = [st.ALIGN, st.RAMP] if sensing == "back-emf" else []
    assert order == [st.BRAKE, *align, st.RUN]
    assert rows[-200:, 2].mean() == pytest.approx(-sign * speed, rel=0.01)
    assert r.drive.dc_link_peak < 25.0
    assert r.drive.current_peak < 9.0


@BOTH
@EITHER_WAY
def test_stop(rig, sensing, sign):
    r = running(rig, sensing, sign * 2000)
    r.ask("stop")
    rows = r.watch(1.0)
    assert list(dict.fromkeys(rows[:, 1])) == [st.BRAKE, st.IDLE]
    standing = np.argmax(np.abs(rows[:, 2]) < 5)
    assert 350 < standing < 550  # 2000 rpm at 4000 rpm/s, the last part shorted
    assert np.abs(rows[standing + 50 :, 2]).max() < 5
    assert int(r.state["faults"]) == 0


@BOTH
@pytest.mark.parametrize("after", [0.05, 0.2, 0.3, 0.35])
def test_a_stop_during_the_start(rig, sensing, after):
    r = rig(sensing, angle=30.0)
    r.ask("start,3000")
    r.drive.advance(after)
    r.ask("stop")
    r.drive.advance(1.0)
    assert int(r.state["state"]) == st.IDLE
    assert abs(r.drive.speed_rpm) < 1
    r.ask("start,1000")
    r.drive.advance(1.2)
    assert r.drive.speed_rpm == pytest.approx(1000, rel=0.1)


@BOTH
def test_a_start_while_braking_takes_up_again(rig, sensing):
    r = running(rig, sensing, 3000)
    r.ask("stop")
    r.drive.advance(0.2)
    r.ask("start,3000")
    rows = r.watch(1.2)
    assert rows[-1, 2] == pytest.approx(3000, rel=0.02)
    assert rows[:, 2].min() > 1500


@BOTH
def test_speed_steps(rig, sensing):
    r = running(rig, sensing, 1000)
    for speed in (3000, 500, 4000, 1500):
        r.ask(f"speed,{speed}")
        speeds = r.speeds(1.6)
        assert speeds[-240:].mean() == pytest.approx(speed, rel=0.01)
        assert int(r.state["state"]) == st.RUN


@BOTH
@EITHER_WAY
@pytest.mark.parametrize(("speed", "brake"), [(1000, 0.5), (3000, 0.5), (4000, 0.3)])
def test_stall_trips_latches_and_recovers(rig, sensing, sign, speed, brake):
    r = running(rig, sensing, sign * speed)
    r.drive.set_brake(brake)
    rows = r.watch(0.5)
    assert int(r.state["faults"]) in (st.STALL, st.OVER_CURRENT)
    standing = int(np.argmax(np.abs(rows[:, 2]) < 1))
    assert np.argmax(rows[:, 3] > 0) - standing < 300
    assert r.drive.current_peak < 9.0
    # latched: the old command stays live and starts nothing, nor does a clear
    r.drive.set_brake(0.0)
    r.drive.advance(0.2)
    assert r.ask(f"start,{sign * speed}").startswith("refused,start,2")
    assert r.ask(f"speed,{sign * speed}").startswith("done,speed")
    assert abs(r.speeds(0.5)).max() < 1
    assert r.ask("clear").startswith("done,clear")
    assert abs(r.speeds(0.5)).max() < 1
    # and recovers
    assert r.ask(f"start,{sign * speed}").startswith("done,start")
    r.drive.advance(speed / 4000 + 1.0)
    assert r.speeds(0.24).mean() == pytest.approx(sign * speed, rel=0.01)


@BOTH
@pytest.mark.parametrize(("speed", "brake"), [(1500, 0.08), (3000, 0.08), (1500, 0.12)])
def test_a_load_it_can_carry_does_not_trip(rig, sensing, speed, brake):
    r = running(rig, sensing, speed)
    r.drive.set_brake(brake)
    r.drive.advance(2.0)
    assert int(r.state["faults"]) == 0
    assert r.speeds(0.4).mean() == pytest.approx(speed, rel=0.01)
    r.drive.set_brake(0.0)
    released = r.speeds(1.0)
    assert released.max() < 2.0 * speed
    assert released[-240:].mean() == pytest.approx(speed, rel=0.01)


@BOTH
def test_supply_switched_off_while_running(rig, sensing):
    r = running(rig, sensing, 2000)
    r.drive.set_supply(24.0, 10.0, False)
    r.drive.advance(1.0)
    assert int(r.state["faults"]) & st.UNDER_VOLTAGE
    r.drive.set_supply(24.0, 10.0, True)
    assert abs(r.speeds(0.5)).max() < 1  # no restart by itself
    assert r.ask("clear").startswith("done")
    r.ask("start,1000")
    r.drive.advance(1.0)
    assert r.drive.speed_rpm == pytest.approx(1000, rel=0.1)


def test_start_without_supply(rig):
    r = rig("hall")
    r.drive.set_supply(0.0, 1.0, False)
    r.drive.advance(20.0)
    r.ask("start,1000")
    assert int(r.state["faults"]) == st.UNDER_VOLTAGE


@BOTH
def test_over_voltage(rig, sensing):
    r = running(rig, sensing, 1000)
    r.drive.set_supply(46.0, 10.0, True)
    rows = r.watch(0.3)
    assert int(r.state["faults"]) == st.OVER_VOLTAGE
    assert rows[-1, 1] == st.FAULT
    assert r.ask("clear").startswith("refused,clear,2")


@pytest.mark.parametrize("wire", ["hall-a", "hall-b", "hall-c"])
@EITHER_WAY
def test_broken_hall_wire_at_speed(rig, wire, sign):
    r = running(rig, "hall", sign * 2000)
    r.drive.set_line(wire, False)
    rows = r.watch(0.2)
    assert int(r.state["faults"]) == st.HALL_FAULT
    assert np.argmax(rows[:, 3] > 0) < 30


@pytest.mark.parametrize("wire", ["hall-a", "hall-b", "hall-c"])
def test_broken_hall_wire_at_the_start(rig, wire):
    for angle in np.arange(0.0, 90.0, 15.0) + 5.0:
        r = rig("hall", angle=float(angle))
        r.drive.set_line(wire, False)
        r.drive.advance(0.01)
        r.ask("start,1000")
        r.drive.advance(1.0)
        assert int(r.state["state"]) == st.FAULT
        assert abs(r.drive.speed_rpm) < 50


@pytest.mark.parametrize("wire", ["phase-a", "phase-b", "phase-c"])
def test_broken_phase_wire_loses_the_back_emf(rig, wire):
    r = running(rig, "back-emf", 1500)
    r.drive.set_line(wire, False)
    rows = r.watch(1.5)
    assert rows[-1, 1] == st.FAULT
    assert np.argmax(rows[:, 3] > 0) < 100
    assert abs(r.drive.speed_rpm) < 50


@pytest.mark.parametrize("wire", ["phase-a", "phase-b", "phase-c"])
def test_broken_phase_wire_is_not_seen_by_hall_sensors_but_the_current_is_bounded(rig, wire):
    r = running(rig, "hall", 1500)
    r.drive.set_line(wire, False)
    r.drive.advance(1.5)
    assert 3.0 < r.drive.current_peak < 9.0


def test_clear_is_refused_while_coasting_fast(rig):
    r = running(rig, "hall", 4000, load=0.0, pulsation=0.0)
    r.drive.set_supply(46.0, 10.0, True)
    r.drive.advance(0.1)
    assert int(r.state["faults"]) == st.OVER_VOLTAGE
    r.drive.set_supply(24.0, 10.0, True)
    while r.drive.dc_link_voltage > 43.0:
        r.drive.advance(0.01)
    assert abs(r.drive.speed_rpm) > 500
    assert r.ask("clear").startswith("refused,clear,1")
    while abs(r.drive.speed_rpm) > 150:
        r.drive.advance(0.1)
    assert r.ask("clear").startswith("done,clear")


def test_link_lost_stops_the_motor(rig):
    r = running(rig, "hall", 1000, link_timeout=2.0)
    r.drive.advance(2.0)
    assert int(r.state["faults"]) == st.LINK_LOST
    r.drive.advance(0.5)
    assert abs(r.drive.speed_rpm) < 1


def test_telemetry_of_a_run(rig):
    r = rig("hall", angle=10.0)
    r.ask("stream,200")
    r.ask("start,2000")
    r.drive.advance(1.5)
    r.drive.drain()
    r.drive.advance(0.5)
    lines = [t.split("*")[0].split(",") for t in r.drive.drain().decode().splitlines()[1:-1]]
    assert len(lines) >= 98
    numbers = [int(f[1]) for f in lines]
    assert all((b - a) % 256 == 1 for a, b in pairwise(numbers))
    times = np.array([int(f[2]) for f in lines])
    assert np.diff(times) == pytest.approx(5000, abs=1)
    speed, target, current, peak, volts = np.array([[int(x) for x in f[5:10]] for f in lines]).T
    assert set(target) == {2000}
    assert speed.mean() == pytest.approx(2000, rel=0.005)
    # 0.03 N m + 1.5 mN m + viscous over 0.040 N m/A, the magnets a little warm
    assert current.mean() == pytest.approx(790, rel=0.06)
    assert (peak >= current).all()
    assert volts.mean() == pytest.approx(24_000, rel=0.005)


@pytest.mark.parametrize(
    ("seam", "value", "sign", "slower"),
    [("lag", 8.0, 1, True), ("lag_reverse", 8.0, -1, True), ("lag_reverse", 8.0, 1, False)],
)
def test_late_commutation_costs_current(rig, seam, value, sign, slower):
    currents = []
    for defects in ({}, {seam: value}):
        r = running(rig, "hall", sign * 3000, defects=defects)
        currents.append(np.mean([r.drive.advance(0.001) or r.drive.supply_current
                                 for _ in range(300)]))  # fmt: skip
    assert (currents[1] > 1.03 * currents[0]) == slower
