"""How soon a drive turns after a start, and trips and stands after trouble."""

from __future__ import annotations

import math

import numpy as np
import pytest

from hil.core.drive import Direction, DriveState
from hil.core.measure import Outcome
from hil.core.trace import Mark

S = DriveState


@pytest.fixture
def begin(lab):
    """Command at 0.5 s, turning from 0.6 s on at 4000 rpm/s."""
    return lab.Scene(
        end=3.0,
        speed=lab.ramps([(0.6, 0.0), (1.1, 2000.0)]),
        marks=[("command", 0.5)],
        states=[(0.0, S.IDLE), (0.5, S.RUN)],
    )


@pytest.mark.parametrize("direction", [1, -1])
def test_motion_is_counted_from_the_command(lab, begin, direction):
    found = lab.measures("start", begin.trace(direction), direction=Direction(direction))
    # 2 % of 2000 rpm are 40 rpm, which it has 10 ms after it moved
    assert found["time-to-motion"].value == pytest.approx(0.11, abs=1e-9)
    assert found["time-to-motion"].resolution == pytest.approx(0.001)
    # two stamps of 0.5 ms, and the speed over its slope
    assert found["time-to-motion"].uncertainty > math.sqrt(2.0) * 0.0005


def test_motion_the_wrong_way_is_motion_too(lab, begin):
    begin.speed = lab.ramps([(0.6, 0.0), (0.65, -200.0), (0.7, 0.0), (1.2, 2000.0)])
    assert lab.measures("start", begin.trace())["time-to-motion"].value == pytest.approx(0.11)


def test_a_shaft_that_never_moves_and_one_that_turns_already(lab, begin):
    begin.speed = lab.constant(0.0)
    found = lab.measures("start", begin.trace())["time-to-motion"]
    assert found.outcome is Outcome.NEVER_REACHED
    begin.speed = lab.constant(500.0)
    found = lab.measures("start", begin.trace())["time-to-motion"]
    assert found.outcome is Outcome.NOT_APPLICABLE
    assert "500 rpm when the command was sent" in found.detail


def test_motion_that_nobody_saw_is_missing(lab, begin):
    trace = lab.without(begin.trace(), "witness.speed", 0.55, 0.9)
    assert lab.measures("start", trace)["time-to-motion"].outcome is Outcome.MISSING_DATA


@pytest.fixture
def cut(lab):
    """A line that opens for a moment at 1 s, and for good at 2 s: fault at 2.2 s, still at 3 s."""
    return lab.Scene(
        end=5.0,
        speed=lab.ramps([(2.2, 2000.0), (3.0, 0.0)]),
        marks=[
            ("command", 0.1),
            ("line-opened", 1.0),
            ("line-closed", 1.01),
            ("line-opened", 2.0),
            ("line-closed", 4.0),
        ],
        states=[(0.0, S.RUN), (2.2, S.FAULT)],
    )


def test_a_fault_is_counted_from_what_brought_it_about(lab, cut):
    found = lab.measures("steps", cut.trace())["time-to-fault"]
    assert found.value == pytest.approx(0.2, abs=0.0026)  # half a telemetry interval
    assert found.uncertainty == pytest.approx(math.sqrt(0.005**2 / 12.0 + 2.0 * 0.0005**2))
    assert found.resolution == pytest.approx(0.005)
    assert found.detail == "after line-opened"


@pytest.mark.parametrize("name", ["brake-on", "silence", "dip", "supply-set", "line-opened"])
def test_every_kind_of_cause_counts(lab, cut, name):
    cut.marks = [("command", 0.1), (name, 1.5)]
    found = lab.measures("steps", cut.trace())
    assert found["time-to-fault"].value == pytest.approx(0.7, abs=0.0026)
    # below 5 % of 2000 rpm 40 ms before it stands
    assert found["time-to-still"].value == pytest.approx(1.46, abs=1e-6)
    assert found["time-to-still"].detail == f"after {name}"


def test_still_is_counted_from_the_cause_that_the_shaft_did_not_outlast(lab, cut):
    assert lab.measures("steps", cut.trace())["time-to-still"].value == pytest.approx(0.96)
    cut.marks = [mark for mark in cut.marks if mark[1] != 4.0]
    marks = [*cut.marks, ("clear", 2.5)]  # what is done in the midst of it ends the time for it
    cut.marks = sorted(marks, key=lambda mark: mark[1])
    found = lab.measures("steps", cut.trace())["time-to-still"]
    assert found.outcome is Outcome.NEVER_REACHED


def test_a_drive_that_endures_it(lab, cut):
    cut.speed, cut.states = lab.constant(2000.0), [(0.0, S.RUN)]
    found = lab.measures("steps", cut.trace())
    assert found["time-to-fault"].outcome is Outcome.NEVER_REACHED
    assert found["time-to-still"].outcome is Outcome.NEVER_REACHED


def test_without_a_cause_nothing_is_counted(lab, cut):
    cut.marks = [("command", 0.1)]
    found = lab.measures("steps", cut.trace())
    for name in ("time-to-fault", "time-to-still"):
        assert found[name].outcome is Outcome.NOT_APPLICABLE
        assert "nothing was done" in found[name].detail


def test_a_shaft_that_stood_cannot_come_to_rest(lab, cut):
    cut.speed = lab.constant(0.0)
    found = lab.measures("steps", cut.trace())["time-to-still"]
    assert (found.outcome, found.detail) == (
        Outcome.NOT_APPLICABLE,
        "the shaft stood whatever was done",
    )


def test_telemetry_lost_around_the_fault_is_missing(lab, cut):
    trace = lab.without(cut.trace(), "reported.state", 2.1, 2.3)
    assert lab.measures("steps", trace)["time-to-fault"].outcome is Outcome.MISSING_DATA


def test_what_was_set_is_told(lab, cut):
    trace = cut.trace()
    marks = (Mark("supply-set", 1.5, 0.0005, "14 V"),)
    found = lab.measures("steps", type(trace)(trace.channels, marks, trace.end, 1000, 0, 0))
    assert found["time-to-fault"].detail == "after supply-set 14 V"
    assert np.isfinite(found["time-to-fault"].value)


@pytest.mark.parametrize("edge", [20.0, 40.0, 120.0])
def test_the_edge_of_a_dip_is_that_of_its_ramp(lab, edge):
    lasts = 6.0 / edge
    down, up = 1.0 + lasts, 1.5 + lasts
    points = [(0.0, 24.0), (1.0, 24.0), (down, 18.0), (1.5, 18.0), (up, 24.0), (3.0, 24.0)]
    scene = lab.Scene(
        end=3.0, speed=lab.constant(2000.0), voltage=lab.ramps(points), marks=[("dip", 1.0)]
    )  # fmt: skip
    found = lab.measures("steps", scene.trace())["dip-edge"]
    assert found.value == pytest.approx(edge, rel=0.02)
    assert 0.0 < found.uncertainty < 0.2 * edge


def test_an_edge_that_is_over_within_a_frame_has_no_steepness(lab):
    scene = lab.Scene(
        end=3.0, speed=lab.constant(2000.0), marks=[("dip", 1.0)],
        voltage=lab.steps_of([(1.001, 18.0), (1.5, 24.0)], 24.0),
    )  # fmt: skip
    found = lab.measures("steps", scene.trace())["dip-edge"]
    assert found.outcome is Outcome.TOO_FEW_SAMPLES


def test_a_voltage_that_does_not_fall_has_none_either(lab):
    for marks, outcome in (([("dip", 1.0)], Outcome.NEVER_REACHED), ([], Outcome.NOT_APPLICABLE)):
        scene = lab.Scene(end=3.0, speed=lab.constant(2000.0), marks=marks)
        assert lab.measures("steps", scene.trace())["dip-edge"].outcome is outcome
