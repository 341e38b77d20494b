"""A trace seen under its conditions: direction, windows, changes of state."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.drive import Direction, DriveState, Fault
from hil.core.measure import Outcome
from hil.core.trace import Trace
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

S = DriveState


@pytest.fixture
def scene(lab):
    return lab.Scene(
        end=3.0,
        speed=lab.ramps([(0.0, 0.0), (3.0, 3000.0)]),
        marks=[("command", 0.5), ("set-point", 1.0), ("stop", 2.0), ("set-point", 2.5)],
        states=[(0.0, S.IDLE), (0.6, S.ALIGN), (1.0, S.RAMP), (1.5, S.RUN), (2.2, S.FAULT)],
        faults=[(0.0, 0), (2.2, int(Fault.STALL))],
    )


def view(lab, scene, direction=1, **changes):
    return View(scene.trace(direction), lab.conditions(direction=Direction(direction), **changes))


@pytest.mark.parametrize("direction", [1, -1])
def test_speed_and_position_are_positive_in_the_commanded_direction(lab, scene, direction):
    it = view(lab, scene, direction)
    assert it.speed.y[-1] == pytest.approx(3000.0)
    assert it.position.y[-1] > 0.0


def test_the_end_is_the_stated_one_or_the_last_sample(lab, scene):
    trace = scene.trace()
    assert View(trace, lab.conditions()).end == 3.0
    assert View(Trace(trace.channels), lab.conditions()).end == pytest.approx(3.0)
    assert View(Trace({}), lab.conditions()).end == 0.0


def test_a_window_ends_at_the_next_mark_of_the_given_names(lab, scene):
    it = view(lab, scene)
    assert it.until(0.5) == 1.0
    assert it.until(0.5, ("stop",)) == 2.0
    assert it.until(2.5) == 3.0


def test_missing_things_are_named(lab, scene):
    it = view(lab, scene)
    for call, word in (
        (lambda: it.mark("reverse"), "reverse"),
        (lambda: it.mark("set-point", 5), "set-point"),
        (lambda: it.signal("witness.torque"), "witness.torque"),
    ):
        with pytest.raises(Unmeasurable, match=word) as caught:
            call()
        assert caught.value.outcome is Outcome.MISSING_DATA


def test_a_channel_of_nothing_but_nan(lab, scene):
    trace = lab.scaled(scene.trace(), "witness.speed", np.nan)
    with pytest.raises(Unmeasurable, match="no valid sample"):
        _ = View(trace, lab.conditions()).speed


def test_a_change_of_state_lies_between_two_frames(lab, scene):
    it = view(lab, scene)
    event = it.entry_to(S.RUN, 0.5, 2.0)
    assert event is not None
    assert event.t == pytest.approx(1.5 - 0.0025, abs=1e-9)
    assert event.budget.total == pytest.approx(np.hypot(0.005 / np.sqrt(12.0), 0.0005))
    assert event.resolution == pytest.approx(0.005)


def test_a_change_of_state_may_ask_for_the_state_before(lab, scene):
    it = view(lab, scene)
    assert it.entry_to(S.RUN, 0.5, 2.0, before=S.RAMP) is not None
    assert it.entry_to(S.RUN, 0.5, 2.0, before=S.ALIGN) is None
    assert it.entry_to(S.RUN, 1.6, 2.0) is None


def test_a_change_right_after_the_start_is_not_before_it(lab, scene):
    event = view(lab, scene).entry_to(S.RUN, 1.499, 2.0)
    assert event is not None
    assert event.t >= 1.499


def test_no_change_is_only_said_of_a_whole_record(lab, scene):
    trace = lab.without(scene.trace(), "reported.state", 1.2, 1.4)
    it = View(trace, lab.conditions())
    with pytest.raises(Unmeasurable, match="gap"):
        it.entry_to(S.BRAKE, 0.5, 2.0)
    with pytest.raises(Unmeasurable, match="gap"):
        it.entry_to(S.RUN, 0.5, 2.0)


def test_time_in_a_state(lab, scene):
    held, budget, resolution = view(lab, scene).time_in(S.RAMP, 0.5, 2.0)
    assert held == pytest.approx(0.5, abs=1e-9)
    # two edges; what shifts both alike cancels
    assert budget.total == pytest.approx(np.sqrt(2.0) * 0.005 / np.sqrt(12.0))
    assert resolution == pytest.approx(0.005)
    # cut off by the window
    assert view(lab, scene).time_in(S.RAMP, 0.5, 1.2)[0] == pytest.approx(0.2, abs=0.003)
    assert view(lab, scene).time_in(S.BRAKE, 0.5, 2.0)[0] == 0.0


def test_faulted(lab, scene):
    it = view(lab, scene)
    assert not it.faulted(0.0, 2.0)
    assert it.faulted(0.0, 3.0)
    scene.faults = [(0.0, 0)]  # the state alone is enough
    assert view(lab, scene).faulted(0.0, 3.0)


def test_the_whole_trace_may_begin_late_before_anything_was_asked(lab, scene):
    late = View(lab.without(scene.trace(), "reported.state", 0.0, 0.4), lab.conditions())
    assert late.all_of("reported.state").t[0] == pytest.approx(0.405)
    hole = View(lab.without(scene.trace(), "reported.state", 0.0, 0.7), lab.conditions())
    with pytest.raises(Unmeasurable, match="gap"):
        hole.all_of("reported.state")


def test_things_are_worked_out_once(lab, scene):
    it, calls = view(lab, scene), []

    def make(_):
        calls.append(1)
        return 7

    assert (it.once(make), it.once(make)) == (7, 7)
    assert len(calls) == 1


def test_a_reason_is_worked_out_once_too(lab, scene):
    it, calls = view(lab, scene), []

    def fail(_):
        calls.append(1)
        raise Unmeasurable(Outcome.NEVER_REACHED, "because")

    for _ in range(2):
        with pytest.raises(Unmeasurable, match="because"):
            it.once(fail)
    assert len(calls) == 1
