"""Measures over all set points: errors, the line of reported over witnessed speed, stops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import Mark

S = DriveState
LEVELS = ((0.5, 600.0), (2.0, 1500.0), (3.5, 3000.0))


def detailed(trace, details):
    """The trace with its speed marks saying what was asked for."""
    asked = iter(details)
    marks = tuple(
        Mark(m.name, m.t, m.uncertainty, next(asked) if m.name in ("command", "set-point") else "")
        for m in trace.marks
    )
    return replace(trace, marks=marks)


@pytest.fixture
def sweep(lab):
    """600, 1500 and 3000 rpm for about a second each, then a stop that takes 0.75 s."""

    def make(factor=1.0, offset=0.0, error=0.0):
        points = [(0.5, 0.0), (0.8, 600.0), (2.0, 600.0), (2.3, 1500.0), (3.5, 1500.0)]
        points += [(3.9, 3000.0 * (1.0 + error)), (5.0, 3000.0 * (1.0 + error)), (5.75, 0.0)]
        true = lab.ramps(points)
        return lab.Scene(
            end=6.5,
            speed=true,
            marks=[("command", 0.5), ("set-point", 2.0), ("set-point", 3.5), ("stop", 5.0)],
            states=[(0.0, S.IDLE), (0.5, S.RUN), (5.0, S.BRAKE), (5.75, S.IDLE)],
            reported_speed=lambda t: factor * true(t) + offset * (true(t) > 0.0),
        )

    return make


def measured(lab, scene, direction=1, **changes):
    trace = scene.trace(direction)
    details = [f"{direction * speed:+.0f} rpm" for _, speed in LEVELS]
    asked = {"target": 3000.0, "direction": direction, **changes}
    return lab.measures("steps", detailed(trace, details), **asked)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize(("factor", "offset"), [(1.0, 0.0), (1.02, 0.0), (1.0, 25.0), (0.97, 10.0)])
def test_the_line_of_reported_over_witnessed_speed(lab, sweep, factor, offset, direction):
    found = measured(lab, sweep(factor, offset), direction)
    assert found["reported-speed-slope"].value == pytest.approx(100.0 * (factor - 1.0), abs=0.02)
    assert found["reported-speed-offset"].value == pytest.approx(direction * offset, abs=0.5)
    assert found["reported-speed-slope"].uncertainty > 0.0


def test_one_speed_makes_no_line(lab):
    scene = lab.Scene(end=3.0, speed=lab.constant(2000.0), marks=[("command", 0.0)])
    found = lab.measures("steps", scene.trace())
    for name in ("reported-speed-slope", "reported-speed-offset"):
        assert found[name].outcome is Outcome.NOT_APPLICABLE


@pytest.mark.parametrize("direction", [1, -1])
def test_the_largest_error_of_all_set_points(lab, sweep, direction):
    found = measured(lab, sweep(error=-0.03), direction)["largest-speed-error"]
    assert found.value == pytest.approx(3.0, abs=0.01)
    assert f"{direction * 3000:+d} rpm" in found.detail
    assert measured(lab, sweep(), direction)["largest-speed-error"].value < 0.01


def test_a_set_point_not_held_long_enough_is_not_judged(lab, sweep):
    scene = sweep()
    scene.marks = [("command", 0.5), ("set-point", 0.9), ("set-point", 1.3), ("stop", 1.7)]
    assert measured(lab, scene)["largest-speed-error"].outcome is Outcome.NOT_APPLICABLE


@pytest.mark.parametrize("direction", [1, -1])
def test_the_time_of_a_stop(lab, sweep, direction):
    # Below 2 % of 3000 rpm on a ramp of 0.75 s: 0.98 * 0.75 s.
    found = measured(lab, sweep(), direction)["stop-time"]
    assert found.value == pytest.approx(0.735, abs=0.003)
    assert found.uncertainty < 0.005


def test_a_shaft_that_does_not_stop_never_gets_there(lab, sweep):
    scene = sweep()
    scene.speed = lab.constant(3000.0)
    assert measured(lab, scene)["stop-time"].outcome is Outcome.NEVER_REACHED


def test_a_stop_at_standstill_or_none_has_no_time(lab, sweep):
    scene = sweep()
    scene.marks = [("command", 0.5), ("stop", 6.2)]
    assert measured(lab, scene)["stop-time"].outcome is Outcome.NOT_APPLICABLE
    scene.marks = [("command", 0.5)]
    assert measured(lab, scene)["stop-time"].outcome is Outcome.MISSING_DATA


def test_refusals_are_counted(lab, sweep):
    scene = sweep()
    assert measured(lab, scene)["refusals"].value == 0.0
    scene.marks = [*scene.marks, ("refused", 0.2), ("refused", 0.3)]
    assert measured(lab, scene)["refusals"].value == 2.0


def test_the_rate_of_the_telemetry(lab, sweep):
    scene = sweep()
    assert measured(lab, scene)["telemetry-rate-error"].value == pytest.approx(0.0, abs=0.01)
    trace = scene.trace()
    states = trace.channels["reported.state"]
    slow = replace(states, t=states.t * 1.1)
    found = lab.measures("steps", replace(trace, channels={**trace.channels, slow.name: slow}))
    assert found["telemetry-rate-error"].value == pytest.approx(-100.0 / 11.0, abs=0.05)


def test_lost_frames_were_sent(lab, sweep):
    trace = sweep().trace()
    states = trace.channels["reported.state"]
    every = np.arange(states.t.size) % 10 != 0
    every[[0, -1]] = True
    thin = replace(states, t=states.t[every], y=states.y[every])
    lost = int(np.count_nonzero(~every))
    trace = replace(trace, channels={**trace.channels, thin.name: thin}, lost=lost)
    found = lab.measures("steps", trace)["telemetry-rate-error"]
    assert found.value == pytest.approx(0.0, abs=0.05)


def test_repeated_sequence_numbers(lab, sweep):
    trace = sweep().trace()
    assert lab.measures("steps", trace)["telemetry-repeats"].value == 0.0
    found = lab.measures("steps", replace(trace, repeated=250))["telemetry-repeats"]
    assert found.value == pytest.approx(25.0)
    gone = lab.measures("steps", replace(trace, frames=0))["telemetry-repeats"]
    assert gone.outcome is Outcome.MISSING_DATA


def test_the_crest_of_the_current_does_not_depend_on_the_load(lab, sweep):
    scene = sweep()
    for amps in (0.5, 3.0):
        scene.current = lab.constant(amps)
        found = measured(lab, scene)["final-current-crest"]
        # The scene reports peaks 1.2 times the mean.
        assert found.value == pytest.approx(1.2, abs=1e-6)
        # 20 mA of each, rectangular; 2 % of the reading is common to both
        fixed = np.hypot(0.02 / amps, 1.2 * 0.02 / amps) / np.sqrt(3.0)
        assert found.uncertainty == pytest.approx(fixed, rel=0.01)
    scene.current = lab.constant(0.0)
    assert measured(lab, scene)["final-current-crest"].outcome is Outcome.NOT_APPLICABLE


def test_the_crest_is_that_of_the_last_speed(lab, sweep):
    scene = sweep()
    scene.current = lab.steps_of([(0.0, 9.0), (3.0, 1.0), (4.7, 1.5)])
    # Of the last half second before the stop at 5 s 0.2 s are at 1 A and 0.3 s at 1.5 A.
    found = measured(lab, scene)["final-current-crest"]
    assert found.value == pytest.approx(1.2 * 1.5 / 1.3, rel=0.01)


def test_how_reported_speeds_scatter_is_no_uncertainty_of_the_line(lab, sweep):
    """They are what is judged: uncertain is where the witness has the points (limits of 0.1 %)."""
    even, rough = sweep(), sweep()
    smooth = even.reported_speed
    rough.reported_speed = lambda t: smooth(t) + 5.0 * np.sign(np.sin(2.0 * np.pi * 83.0 * t))
    u = [measured(lab, one)["reported-speed-slope"].uncertainty for one in (even, rough)]
    assert u[0] == pytest.approx(100.0 * 0.001 / np.sqrt(3.0), rel=0.05)
    assert u[1] == pytest.approx(u[0], rel=0.1)
    offset = measured(lab, even)["reported-speed-offset"].uncertainty
    assert offset == pytest.approx(0.5 / np.sqrt(3.0), rel=0.05)
