"""Stalls that trip, stalls that do not, and what comes after."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.drive import Direction, DriveState, Fault
from hil.core.measure import Outcome

S = DriveState
OVER = int(Fault.OVER_CURRENT)


def test_a_stall_that_trips(lab, stall):
    found = lab.judge_stall(stall)
    value = {name: m.value for name, m in found.items()}
    assert value["tripped"] == 1.0
    assert value["trip-time-from-brake"] == pytest.approx(0.4, abs=0.0026)
    # 2 % of 2000 rpm at 1.098 s
    assert value["trip-time-from-standstill"] == pytest.approx(0.302, abs=0.0026)
    assert value["peak-current"] == pytest.approx(7.2)
    # 6 A for 0.4 s, less half a telemetry interval
    assert value["let-through"] == pytest.approx(36.0 * 0.4, abs=36.0 * 0.003)
    assert (value["fault-named"], value["latched"], value["restarts"]) == (1.0, 1.0, 0.0)
    assert value["recovered"] == 1.0
    assert found["speed-dip"].outcome is Outcome.NOT_APPLICABLE


def test_uncertainty_of_a_trip_time(lab, stall):
    m = lab.judge_stall(stall)["trip-time-from-brake"]
    # 5 ms telemetry (rectangular), two stamps of 0.5 ms
    expected = np.sqrt(0.005**2 / 12.0 + 2.0 * 0.0005**2)
    assert m.uncertainty == pytest.approx(expected, rel=1e-6)
    assert m.resolution == pytest.approx(0.005)


def test_either_direction(lab, stall):
    one = lab.judge_stall(stall)
    other = lab.measures(
        "stall",
        stall.trace(-1),
        entry=2000.0,
        trip_expected=True,
        direction=Direction.COUNTER_CLOCKWISE,
    )
    for name, m in one.items():
        assert other[name].outcome is m.outcome
        if m.value is not None:
            assert other[name].value == pytest.approx(m.value, rel=1e-9, abs=1e-9), name


def test_a_stall_that_should_trip_and_does_not(lab, stall):
    stall.states = [(0.0, S.RUN)]
    stall.faults = [(0.0, 0)]
    found = lab.judge_stall(stall)
    assert found["tripped"].value == 0.0
    assert found["fault-named"].value == 0.0
    for name in ("trip-time-from-brake", "trip-time-from-standstill", "latched", "restarts"):
        assert found[name].outcome is Outcome.NEVER_REACHED, name
    assert found["recovered"].outcome is Outcome.NEVER_REACHED
    # to the release of the brake: 6 A to 1.4 s, then none
    assert found["let-through"].value == pytest.approx(14.4, abs=0.2)


def test_the_partner_that_rides_through(lab, stall):
    stall.states = [(0.0, S.RUN)]
    stall.faults = [(0.0, 0)]
    stall.speed = lab.ramps([(1.0, 2000.0), (1.1, 1700.0), (2.0, 1700.0), (2.1, 2000.0)])
    stall.marks = [("command", 0.0), ("brake-on", 1.0), ("brake-off", 2.0)]
    found = lab.judge_stall(stall, trip_expected=False)
    assert found["tripped"].value == 0.0
    assert found["speed-dip"].value == pytest.approx(15.0, abs=0.01)
    for name in ("trip-time-from-brake", "latched", "restarts", "recovered"):
        assert found[name].outcome is Outcome.NOT_APPLICABLE, name


def test_a_partner_that_trips_shows_everything(lab, stall):
    found = lab.judge_stall(stall, trip_expected=False)
    assert found["tripped"].value == 1.0
    assert found["trip-time-from-brake"].value == pytest.approx(0.4, abs=0.003)
    assert found["speed-dip"].value == pytest.approx(100.0, abs=0.01)


def test_tripping_before_standstill_is_a_negative_time(lab, stall):
    stall.states = [(0.0, S.RUN), (1.05, S.FAULT), (2.5, S.IDLE), (3.0, S.RUN)]
    found = lab.judge_stall(stall)
    assert found["trip-time-from-standstill"].value == pytest.approx(-0.048, abs=0.003)


def test_a_shaft_held_before_the_start(lab, stall):
    stall.speed = lab.ramps([(3.0, 0.0), (3.5, 2000.0)])
    stall.marks = [("brake-on", 0.5), ("command", 1.0), *stall.marks[2:]]
    stall.states = [(0.0, S.IDLE), (1.0, S.RUN), *stall.states[1:]]
    found = lab.judge_stall(stall, entry=0.0)
    assert found["trip-time-from-brake"].value == pytest.approx(0.9, abs=0.003)
    assert found["trip-time-from-standstill"].value == pytest.approx(0.4, abs=0.003)


def test_a_wrongly_named_fault(lab, stall):
    stall.faults = [(0.0, 0), (1.4, int(Fault.OVER_TEMPERATURE)), (2.5, 0)]
    m = lab.judge_stall(stall)["fault-named"]
    assert m.value == 0.0
    assert "over-temperature" in m.detail


def test_bits_that_nobody_knows_name_no_fault(lab, stall):
    stall.faults = [(0.0, 0), (1.4, 1 << 33), (2.5, 0)]
    assert lab.judge_stall(stall)["fault-named"].value == 0.0


def test_telemetry_lost_around_the_trip(lab, stall):
    trace = lab.without(stall.trace(), "reported.state", 1.3, 1.5)
    found = lab.measures("stall", trace, entry=2000.0, trip_expected=True)
    for name in ("tripped", "trip-time-from-brake", "let-through"):
        assert found[name].outcome is Outcome.MISSING_DATA, name


def test_faulted_before_the_brake(lab, stall):
    stall.states = [(0.0, S.FAULT)]
    found = lab.judge_stall(stall)
    assert found["tripped"].outcome is Outcome.NOT_APPLICABLE


def test_stopped_before_the_brake(lab, stall):
    stall.speed = lab.constant(0.0)
    assert lab.judge_stall(stall, trip_expected=False)["speed-dip"].outcome is Outcome.NEVER_REACHED
