"""Measures of any trace, and the steady window."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.drive import DriveState, Fault
from hil.core.measure import Outcome
from hil.core.trace import Accuracy, Channel
from hil.measures import steady
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable

S = DriveState


@pytest.fixture
def scene(lab):
    """Up to 2000 rpm, stopped at 3 s."""
    return lab.Scene(
        end=4.0,
        speed=lab.ramps([(0.5, 0.0), (1.0, 2020.0), (3.0, 2020.0), (3.5, 0.0)]),
        marks=[("supply-on", 0.1), ("command", 0.5), ("stop", 3.0)],
        states=[(0.0, S.IDLE), (0.5, S.RUN), (3.0, S.BRAKE)],
        voltage=lab.ramps([(3.0, 24.0), (3.1, 26.0), (3.5, 24.0)]),
        current=lab.steps_of([(0.0, 0.0), (0.5, 5.0), (1.0, 1.0)]),
    )


def test_measures_of_a_list_of_steps(lab, scene):
    value = {n: m.value for n, m in lab.measures("steps", scene.trace()).items()}
    assert value["final-speed-error"] == pytest.approx(1.0, abs=1e-6)
    assert value["ripple"] == pytest.approx(0.0, abs=1e-6)
    # A speed that is not rounded at all is corrected too far, by less than a step of 0.1 rpm.
    assert value["peak-speed"] == pytest.approx(2020.0, abs=0.1)
    assert value["peak-current"] == pytest.approx(6.0)
    assert value["peak-dc-link-voltage"] == pytest.approx(26.0)
    assert value["peak-temperature"] == pytest.approx(40.0)
    assert value["fault-count"] == 0.0
    assert value["duration"] == 4.0


def test_after_a_reverse_the_other_direction_counts(lab, scene):
    scene.speed = lab.ramps([(0.5, 2000.0), (1.0, 2000.0), (1.8, -1980.0)])
    scene.marks = [("command", 0.0), ("reverse", 1.0)]
    found = lab.measures("steps", scene.trace())["final-speed-error"]
    assert found.value == pytest.approx(-1.0, abs=1e-6)


def test_only_the_stop_after_the_last_command_counts(lab, scene):
    """The bench stops the board once more when it makes the rig safe."""
    scene.marks = [*scene.marks, ("stop", 3.9)]
    found = lab.measures("steps", scene.trace())["final-speed-error"]
    assert found.value == pytest.approx(1.0, abs=1e-6)
    scene.marks = [("command", 0.5), ("stop", 0.7), ("restart", 0.8), ("stop", 3.0)]
    found = lab.measures("steps", scene.trace())["final-speed-error"]
    assert found.value == pytest.approx(1.0, abs=1e-6)


def test_a_last_command_too_short_before_the_stop(lab, scene):
    scene.marks = [("command", 0.5), ("set-point", 2.7), ("stop", 3.0)]
    found = lab.measures("steps", scene.trace())["final-speed-error"]
    assert found.outcome is Outcome.TOO_FEW_SAMPLES


def test_no_target_no_error(lab, scene):
    found = lab.measures("steps", scene.trace(), target=0.0)
    assert found["final-speed-error"].outcome is Outcome.NOT_APPLICABLE


def test_faults_are_counted_by_state_or_bits(lab, scene):
    scene.states = [(0.0, S.FAULT), (0.5, S.RUN), (1.0, S.FAULT), (1.5, S.RUN), (2.0, S.FAULT)]
    assert lab.measures("steps", scene.trace())["fault-count"].value == 3.0
    stall = int(Fault.STALL)
    scene.faults = [(t, stall * (i % 2)) for i, t in enumerate(np.arange(0.0, 3.9, 0.3))]
    assert lab.measures("steps", scene.trace())["fault-count"].value == 6.0


def test_telemetry_that_starts_with_the_supply_is_whole(lab, scene):
    trace = scene.trace()
    for name in [n for n in trace.channels if n.startswith("reported")]:
        trace = lab.without(trace, name, 0.0, 0.3)
    found = lab.measures("steps", trace)
    assert found["fault-count"].value == 0.0
    assert found["peak-current"].value == pytest.approx(6.0)


def flat(y, accuracy=None):
    t = np.arange(y.size) * 0.001
    return Signal.of(Channel("witness.speed", "rpm", t, y, accuracy or Accuracy(), interval=0.001))


def test_steady_window_is_the_end_of_the_judged_one():
    y = np.concatenate([np.full(1000, 500.0), np.full(501, 2000.0)])
    level = steady.steady(flat(y), 0.0, 1.5)
    assert level.value == pytest.approx(2000.0)
    assert level.window.t[0] == pytest.approx(1.0)


def test_a_judged_window_shorter_than_the_steady_one():
    with pytest.raises(Unmeasurable, match="too short") as caught:
        steady.steady(flat(np.ones(1000)), 0.7, 0.999)
    assert caught.value.outcome is Outcome.TOO_FEW_SAMPLES


def test_level_uncertainty_holds_accuracy_and_scatter():
    rng = np.random.default_rng(3)
    accuracy = Accuracy(0.01, 0.0, 0.0)
    quiet = steady.level_of(flat(np.full(501, 1000.0), accuracy))
    assert quiet.budget.total == pytest.approx(10.0 / np.sqrt(3.0))
    noisy = steady.level_of(flat(1000.0 + 30.0 * rng.standard_normal(5001)))
    assert noisy.budget.total == pytest.approx(30.0 / np.sqrt(5001.0), rel=0.2)


def test_fast_ripple_averages_out_and_slow_wandering_does_not():
    t = np.arange(501) * 0.001
    fast = steady.level_of(flat(1000.0 + 30.0 * np.sin(2.0 * np.pi * 60.0 * t)))
    slow = steady.level_of(flat(1000.0 + 30.0 * np.sin(2.0 * np.pi * 2.0 * t)))
    assert fast.budget.total < 1.0
    # ten stretches that follow the sine: 30/sqrt(2) over sqrt(10)
    assert slow.budget.total == pytest.approx(30.0 / np.sqrt(2.0) / np.sqrt(10.0), rel=0.1)


def test_a_short_stretch_keeps_the_scatter_of_its_samples():
    y = np.array([990.0, 1010.0] * 10)
    assert steady.level_of(flat(y)).budget.total == pytest.approx(10.0)


def test_steady_error_and_its_uncertainty():
    level = steady.level_of(flat(np.full(501, 1980.0), Accuracy(0.0, 2.0, 0.5)))
    found = steady.steady_error(level, 2000.0)
    assert found.value == pytest.approx(-1.0)
    assert found.budget.total == pytest.approx(100.0 / 2000.0 * level.budget.total)
    # one reading resolves 0.025 %, a mean of 500 of them more
    assert found.resolution == pytest.approx(0.025 / np.sqrt(500.0))


def test_a_shaft_at_rest_has_no_ripple():
    with pytest.raises(Unmeasurable, match="too slow") as caught:
        steady.ripple(steady.level_of(flat(np.zeros(501))), 2000.0)
    assert caught.value.outcome is Outcome.NEVER_REACHED
