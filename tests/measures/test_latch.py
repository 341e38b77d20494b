"""What the drive does between its trip and the clear, and after it."""

from __future__ import annotations

import pytest

from hil.core.drive import DriveState
from hil.core.measure import Outcome

S = DriveState


def test_a_fault_that_does_not_latch_and_restarts_by_itself(lab, stall):
    stall.states = [(0.0, S.RUN), (1.4, S.FAULT), (1.8, S.RUN), (2.1, S.FAULT), (2.3, S.RUN)]
    found = lab.judge_stall(stall)
    assert found["tripped"].value == 1.0
    assert found["latched"].value == 0.0
    assert found["restarts"].value == 2.0


def test_a_shaft_that_turns_again_while_the_state_says_fault(lab, stall):
    stall.speed = lab.ramps(
        [(1.0, 2000.0), (1.1, 0.0), (2.0, 0.0), (2.2, 500.0), (2.4, 0.0), (3.0, 0.0), (3.5, 2000.0)]
    )
    found = lab.judge_stall(stall)
    assert found["latched"].value == 1.0
    assert found["restarts"].value == 1.0


def test_no_recovery(lab, stall):
    stall.speed = lab.ramps([(1.0, 2000.0), (1.1, 0.0)])
    m = lab.judge_stall(stall)["recovered"]
    assert m.value == 0.0
    assert m.detail


def test_recovery_that_was_not_tried(lab, stall):
    stall.marks = [m for m in stall.marks if m[0] != "restart"]
    m = lab.judge_stall(stall)["recovered"]
    assert m.outcome is Outcome.MISSING_DATA
    assert "restart" in m.detail


def test_the_state_may_change_just_before_the_mark_of_the_clear(lab, stall):
    """Telemetry and the mark travel differently: 20 ms before the mark are left out."""
    stall.states = [(0.0, S.RUN), (1.4, S.FAULT), (2.485, S.IDLE), (3.0, S.RUN)]
    found = lab.judge_stall(stall)
    assert (found["latched"].value, found["restarts"].value) == (1.0, 0.0)
    stall.states = [(0.0, S.RUN), (1.4, S.FAULT), (2.475, S.IDLE), (3.0, S.RUN)]
    found = lab.judge_stall(stall)
    assert (found["latched"].value, found["restarts"].value) == (0.0, 1.0)


def test_a_latch_that_is_never_cleared_is_watched_to_the_end(lab, stall):
    stall.marks = [("brake-on", 1.0)]
    stall.states = [(0.0, S.RUN), (1.4, S.FAULT), (4.99, S.IDLE)]
    assert lab.judge_stall(stall)["latched"].value == 0.0
    stall.states = [(0.0, S.RUN), (1.4, S.FAULT)]
    assert lab.judge_stall(stall)["latched"].value == 1.0


def test_missing_telemetry_is_no_latch(lab, stall):
    trace = lab.without(stall.trace(), "reported.state", 1.8, 2.0)
    found = lab.measures("stall", trace, entry=2000.0, trip_expected=True)
    for name in ("latched", "restarts"):
        assert found[name].outcome is Outcome.MISSING_DATA, name


def test_a_restart_shows_even_where_telemetry_is_missing(lab, stall):
    stall.states = [(0.0, S.RUN), (1.4, S.FAULT), (1.6, S.RUN)]
    trace = lab.without(stall.trace(), "reported.state", 1.8, 2.0)
    found = lab.measures("stall", trace, entry=2000.0, trip_expected=True)
    assert found["latched"].value == 0.0
    assert "1.6 s" in found["latched"].detail


def test_coasting_down_is_no_restart(lab, stall):
    stall.speed = lab.ramps([(1.0, 2000.0), (2.4, 0.0), (3.0, 0.0), (3.5, 2000.0)])
    assert lab.judge_stall(stall)["restarts"].value == 0.0


@pytest.mark.parametrize(("swing", "count"), [(60.0, 0.0), (150.0, 1.0)])
def test_swinging_after_the_release_is_no_restart(lab, stall, swing, count):
    """5 % of 2000 rpm parts a shaft that springs back from one that is driven."""
    stall.speed = lab.ramps(
        [
            (1.0, 2000.0),
            (1.1, 0.0),
            (2.0, 0.0),
            (2.1, -swing),
            (2.2, 0.0),
            (3.0, 0.0),
            (3.5, 2000.0),
        ]
    )
    assert lab.judge_stall(stall)["restarts"].value == count


def test_faulting_again_after_the_restart_is_no_recovery(lab, stall):
    stall.states = [*stall.states, (4.95, S.FAULT)]
    m = lab.judge_stall(stall)["recovered"]
    assert m.value == 0.0
