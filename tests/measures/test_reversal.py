"""Reversals whose measures are known beforehand."""

from __future__ import annotations

import pytest

from hil.core.drive import Direction, DriveState, Fault
from hil.core.measure import Outcome

S = DriveState


@pytest.fixture
def reversal(lab):
    """2000 rpm, reversed at 1 s: down in 0.4 s, stands 0.2 s, -1500 rpm in 0.6 s."""
    return lab.Scene(
        end=4.0,
        speed=lab.ramps([(1.0, 2000.0), (1.4, 0.0), (1.6, 0.0), (2.2, -1500.0)]),
        marks=[("command", 0.0), ("reverse", 1.0)],
        states=[(0.0, S.RUN), (1.0, S.BRAKE), (1.6, S.RUN)],
        voltage=lab.ramps([(1.0, 24.0), (1.4, 31.0), (2.0, 24.0)]),
        current=lab.steps_of([(0.0, 1.0), (1.0, 4.0), (2.2, 1.0)]),
    )


def judge(lab, scene, direction=1):
    return lab.measures(
        "reversal",
        scene.trace(direction),
        entry=2000.0,
        target=1500.0,
        direction=Direction(direction),
    )


@pytest.mark.parametrize("direction", [1, -1])
def test_a_reversal(lab, reversal, direction):
    value = {name: m.value for name, m in judge(lab, reversal, direction).items()}
    # the standstill threshold is 2 % of 2000 rpm: 40 rpm, 8 ms before zero
    assert value["time-to-standstill"] == pytest.approx(0.392, abs=1e-6)
    # leaves it 16 ms after 1.6 s
    assert value["dwell"] == pytest.approx(0.2 + 0.008 + 0.016, abs=1e-6)
    # 95 % of 1500 rpm at 0.57 s of 0.6 s
    assert value["time-to-reverse-speed"] == pytest.approx(0.6 + 0.57, abs=1e-6)
    assert value["peak-dc-link-voltage"] == pytest.approx(31.0, abs=1e-6)
    assert value["peak-current"] == pytest.approx(4.8)
    assert value["overshoot"] == pytest.approx(0.0, abs=1e-9)
    assert value["steady-error"] == pytest.approx(0.0, abs=1e-9)
    assert value["success"] == 1.0
    assert value["fault-count"] == 0.0


def test_overshoot_is_in_percent_of_the_whole_amplitude(lab, reversal):
    reversal.speed = lab.ramps(
        [(1.0, 2000.0), (1.4, 0.0), (1.6, 0.0), (2.2, -1675.0), (2.4, -1500.0)]
    )
    # a mean of 5 ms takes w/2 * a*b/(a+b) off a corner between slopes a and b (closed form)
    up, down = 1675.0 / 0.6, 175.0 / 0.2
    blunted = 175.0 - 0.0025 * up * down / (up + down)
    found = judge(lab, reversal)["overshoot"].value
    assert found == pytest.approx(100.0 * blunted / 3500.0, abs=0.002)


def test_a_drive_that_ignores_the_command(lab, reversal):
    reversal.speed = lab.constant(2000.0)
    found = judge(lab, reversal)
    assert found["success"].value == 0.0
    for name in ("time-to-standstill", "dwell", "time-to-reverse-speed", "overshoot"):
        assert found[name].outcome is Outcome.NEVER_REACHED, name
    assert found["steady-error"].value == pytest.approx(-100.0 * 3500.0 / 1500.0)


def test_a_drive_that_stops_and_stays(lab, reversal):
    reversal.speed = lab.ramps([(1.0, 2000.0), (1.4, 0.0)])
    found = judge(lab, reversal)
    assert found["time-to-standstill"].value == pytest.approx(0.392, abs=1e-6)
    assert found["dwell"].outcome is Outcome.NEVER_REACHED
    assert found["success"].value == 0.0


def test_a_drive_that_was_not_turning(lab, reversal):
    reversal.speed = lab.ramps([(1.6, 0.0), (2.2, -1500.0)])
    assert judge(lab, reversal)["time-to-standstill"].outcome is Outcome.NEVER_REACHED


def test_hesitation_counts_as_dwell(lab, reversal):
    # turns the new way, falls back to rest, and goes for good 0.3 s later
    reversal.speed = lab.ramps(
        [
            (1.0, 2000.0),
            (1.4, 0.0),
            (1.5, -200.0),
            (1.6, 0.0),
            (1.8, 0.0),
            (2.4, -1500.0),
        ]
    )
    assert judge(lab, reversal)["dwell"].value == pytest.approx(0.4 + 0.008 + 0.016, abs=1e-6)


def test_the_supply_may_see_more_than_the_board(lab, reversal):
    trace = lab.scaled(reversal.trace(), "reported.voltage", 0.5)
    m = lab.measures("reversal", trace, entry=2000.0, target=1500.0)["peak-dc-link-voltage"]
    assert m.value == pytest.approx(31.0)
    assert "supply" in m.detail


def test_an_over_voltage_trip(lab, reversal):
    reversal.states = [(0.0, S.RUN), (1.0, S.BRAKE), (1.3, S.FAULT)]
    reversal.faults = [(0.0, 0), (1.3, int(Fault.OVER_VOLTAGE))]
    found = judge(lab, reversal)
    assert found["success"].value == 0.0
    assert found["fault-count"].value == 1.0


def test_a_hole_while_braking(lab, reversal):
    trace = lab.without(reversal.trace(), "reported.voltage", 1.35, 1.45)
    m = lab.measures("reversal", trace, entry=2000.0, target=1500.0)["peak-dc-link-voltage"]
    assert m.outcome is Outcome.MISSING_DATA
