"""One direction against the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.core.measure import Outcome
from hil.core.trace import Mark


@pytest.fixture
def both(lab):
    """+1500 rpm from 0.1 s to 2 s, -1500 rpm from then on to 4 s; its current follows at 2.2 s."""

    def make(forward: float, backward: float, details=("+1500 rpm", "-1500 rpm")):
        scene = lab.Scene(
            end=4.0,
            speed=lab.steps_of([(0.1, 1500.0), (2.0, -1500.0)]),
            current=lab.steps_of([(0.0, forward), (2.2, backward)]),
        )
        marks = (
            Mark("command", 0.1, 0.0005, details[0]),
            Mark("reverse", 2.0, 0.0005, details[1]),
        )
        return replace(scene.trace(), marks=marks)

    return make


@pytest.mark.parametrize(
    ("forward", "backward", "percent"), [(1.0, 1.0, 0.0), (1.0, 1.5, 40.0), (1.5, 1.0, 40.0)]
)
def test_the_difference_is_in_parts_of_the_mean(lab, both, forward, backward, percent):
    found = lab.measures("steps", both(forward, backward))["current-asymmetry"]
    assert found.value == pytest.approx(percent, abs=1e-9)
    assert found.detail == (
        f"at 1500 rpm {forward:.3g} A clockwise, {backward:.3g} A the other way"
    )


def test_the_gain_cancels_and_the_offset_counts_twice(lab, both):
    found = lab.measures("steps", both(1.0, 1.0))["current-asymmetry"]
    # ±20 mA each, of 1 A; what is rounded is below a hundredth of it
    assert found.uncertainty == pytest.approx(100.0 * 0.02 * np.sqrt(2.0 / 3.0), rel=0.01)


def test_speeds_that_differ_are_not_compared(lab, both):
    near = both(1.0, 2.0, ("+1500 rpm", "-1510 rpm"))
    assert lab.measures("steps", near)["current-asymmetry"].value == pytest.approx(200.0 / 3.0)
    far = both(1.0, 2.0, ("+1500 rpm", "-1600 rpm"))
    found = lab.measures("steps", far)["current-asymmetry"]
    assert (found.outcome, found.value) == (Outcome.NOT_APPLICABLE, None)


def test_one_direction_alone_and_none_at_all(lab, both):
    trace = both(1.0, 1.0, ("+1500 rpm", "+1500 rpm"))
    for one in (trace, replace(trace, marks=())):
        found = lab.measures("steps", one)["current-asymmetry"]
        assert found.outcome is Outcome.NOT_APPLICABLE
        assert "in both directions" in found.detail


def test_a_stretch_that_is_too_short_is_none(lab, both):
    trace = both(1.0, 1.0)
    brake = Mark("brake-on", 2.3, 0.0005)
    found = lab.measures("steps", replace(trace, marks=(*trace.marks, brake)))
    assert found["current-asymmetry"].outcome is Outcome.NOT_APPLICABLE


def test_without_a_current_there_is_nothing_to_compare(lab, both):
    found = lab.measures("steps", both(0.0, 0.0))["current-asymmetry"]
    assert found.outcome is Outcome.NOT_APPLICABLE


def test_a_current_that_was_not_captured_is_missing(lab, both):
    trace = lab.without(both(1.0, 1.0), "reported.current", 1.6, 1.9)
    assert lab.measures("steps", trace)["current-asymmetry"].outcome is Outcome.MISSING_DATA
