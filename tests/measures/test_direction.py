"""A tachometer that cannot sense direction must not make a drive look as if it turned wrongly."""

from dataclasses import replace

import numpy as np
import pytest

from hil.core.drive import Direction
from hil.core.measure import Outcome
from hil.measures.catalogue import KINDS, measure

T0 = 0.5


def unsigned(trace):
    channels = dict(trace.channels)
    for name in ("witness.speed", "witness.position"):
        channels[name] = replace(channels[name], y=np.abs(channels[name].y))
    return replace(trace, channels=channels)


@pytest.fixture
def scene(lab):
    return lab.Scene(
        end=3.0,
        speed=lab.ramps([(T0, 0.0), (1.0, 2000.0)]),
        marks=[("command", T0)],
    )


def both(lab, kind, trace, **asked):
    """Measures of a shaft that turns counter-clockwise: sensed, and by magnitude alone."""
    asked = {"direction": Direction.COUNTER_CLOCKWISE, **asked}
    one = measure(kind, trace, lab.conditions(**asked))
    other = measure(kind, unsigned(trace), lab.conditions(senses_direction=False, **asked))
    return {m.name: m for m in one}, {m.name: m for m in other}


def test_a_start_is_measured_by_magnitude(lab, scene):
    sensed, magnitude = both(lab, "start", scene.trace(-1))
    for name in ("success", "time-to-speed", "overshoot", "steady-error", "ripple"):
        assert magnitude[name].value == pytest.approx(sensed[name].value), name
    assert "magnitude" in magnitude["time-to-speed"].detail


def test_what_needs_the_direction_does_not_apply(lab, scene):
    _, found = both(lab, "start", scene.trace(-1))
    for name in ("backward-kick", "total-kick", "direction-agreement"):
        assert found[name].outcome is Outcome.NOT_APPLICABLE, name
        assert "does not sense the direction" in found[name].detail


def test_the_reported_speed_is_not_blamed(lab, scene):
    _, found = both(lab, "start", scene.trace(-1))
    assert found["speed-disagreement"].value == pytest.approx(0.0, abs=0.1)


def test_a_reversal_cannot_be_judged(lab):
    scene = lab.Scene(
        end=4.0,
        speed=lab.ramps([(1.0, 2000.0), (1.4, 0.0), (1.9, -1500.0)]),
        marks=[("reverse", 1.0)],
    )
    _, found = both(lab, "reversal", scene.trace(-1), entry=2000.0, target=1500.0)
    for name in ("success", "time-to-standstill", "dwell", "overshoot", "steady-error"):
        assert found[name].outcome is Outcome.NOT_APPLICABLE, name


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_raises_and_nothing_else_changes(lab, scene, kind):
    sensed, magnitude = both(lab, kind, scene.trace(-1), entry=1000.0)
    for name, one in sensed.items():
        other = magnitude[name]
        allowed = {one.outcome, Outcome.NOT_APPLICABLE}
        assert other.outcome in allowed, name
