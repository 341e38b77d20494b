"""Where and when reported and witnessed values may be compared."""

from __future__ import annotations

import numpy as np
import pytest

from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import Accuracy, Channel
from hil.measures.compare import LAG, LEAD, STEP, feeding, low_speed, on_grid, running
from hil.measures.signal import Signal
from hil.measures.unmeasurable import Unmeasurable
from hil.measures.view import View

S = DriveState


@pytest.fixture
def scene(lab):
    return lab.Scene(
        end=3.0,
        speed=lab.constant(2000.0),
        states=[(0.0, S.RAMP), (0.5, S.RUN), (1.5, S.BRAKE), (2.0, S.RUN)],
    )


def test_run_must_have_lasted_and_must_last(lab, scene):
    grid, valid = running(View(scene.trace(), lab.conditions()))
    assert np.diff(grid) == pytest.approx(STEP)
    used = grid[valid]
    for t in used:
        inside = (t + 1e-9 >= 0.5 + LAG and t + LEAD <= 1.5 + 1e-9) or t >= 2.0 + LAG - 1e-9
        assert inside, t
    # and nothing is given away but a grid step at the edges
    assert used[0] == pytest.approx(0.5 + LAG, abs=2.0 * STEP)
    first = used[used < 1.5]
    assert first[-1] == pytest.approx(1.5 - LEAD, abs=2.0 * STEP)


def test_never_in_run(lab, scene):
    scene.states = [(0.0, S.RAMP)]
    with pytest.raises(Unmeasurable) as caught:
        running(View(scene.trace(), lab.conditions()))
    assert caught.value.outcome is Outcome.NOT_APPLICABLE


@pytest.mark.parametrize(
    ("entry", "target", "resolution", "limit"),
    [(0.0, 2000.0, 0.1, 200.0), (3000.0, 500.0, 0.1, 300.0), (0.0, 500.0, 30.0, 90.0)],
)
def test_low_speed_is_a_tenth_of_the_larger_or_three_resolutions(
    lab, entry, target, resolution, limit
):
    accuracy = Accuracy(0.0, 0.0, resolution)
    signal = Signal.of(Channel("witness.speed", "rpm", np.array([0.0]), np.array([0.0]), accuracy))
    view = View(
        lab.Scene(1.0, lab.constant(0.0)).trace(), lab.conditions(entry=entry, target=target)
    )
    assert low_speed(view, signal) == pytest.approx(limit)


def test_the_supply_feeds_only_while_current_flows_at_its_voltage(lab, scene):
    scene.current = lab.steps_of([(0.0, 0.0), (1.0, 2.0), (2.0, 0.0)])
    scene.voltage = lab.steps_of([(0.0, 24.0), (1.5, 8.0)])
    volts, amps = feeding(View(scene.trace(), lab.conditions()))
    assert volts.t.min() >= 1.0
    assert volts.t.max() < 1.5
    assert volts.t.shape == amps.shape
    assert np.all(amps > 0.0)


def test_a_hole_in_the_readback_is_missing_data(lab, scene):
    trace = lab.without(scene.trace(), "supply.current", 1.0, 1.2)
    with pytest.raises(Unmeasurable, match=r"supply\.current") as caught:
        feeding(View(trace, lab.conditions()))
    assert caught.value.outcome is Outcome.MISSING_DATA


def test_on_grid_is_the_moving_mean_there():
    t = np.arange(0.0, 1.0, 0.001)
    signal = Signal.of(Channel("x", "rpm", t, 100.0 * t, interval=0.001))
    grid = np.array([0.3, 0.5005])
    assert on_grid(signal, grid, 0.05) == pytest.approx(100.0 * grid, abs=1e-9)
