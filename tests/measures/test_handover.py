"""Slow sweeps: losses of the rotor are counted, and how far the speed falls behind is known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import Mark

A, R, U, B = DriveState.ALIGN, DriveState.RAMP, DriveState.RUN, DriveState.BRAKE
START = [(0.0, DriveState.IDLE), (0.1, A), (0.35, R), (0.5, U)]


@pytest.mark.parametrize(
    ("later", "lost"),
    [
        ([], 0.0),
        ([(1.0, A), (1.2, R), (1.4, U)], 1.0),
        ([(1.0, R), (1.4, U), (2.0, A), (2.2, R), (2.4, U)], 2.0),
        ([(1.0, B), (1.2, A), (1.4, R), (1.6, U)], 0.0),
    ],
)
def test_each_way_back_to_the_beginning_counts(lab, later, lost) -> None:
    scene = lab.Scene(end=3.0, speed=lab.constant(600.0), states=[*START, *later])
    found = lab.measures("steps", scene.trace())["returns-to-align"]
    assert found.value == lost
    assert found.detail.startswith("at 1" if lost else "")


def _swept(lab, speed, asked):
    scene = lab.Scene(end=4.0, speed=lab.ramps(speed), reported_speed=lab.ramps(asked))
    marks = (Mark("command", 0.2), Mark("stop", 3.8))
    return lab.measures("steps", replace(scene.trace(), marks=marks), target=500.0)["speed-sag"]


ASKED = [(0.0, 500.0), (1.0, 500.0), (2.0, 900.0), (3.0, 500.0), (4.0, 500.0)]


def test_a_drive_that_follows_does_not_sag(lab) -> None:
    found = _swept(lab, ASKED, ASKED)
    # the mean over 20 ms lies below the ridge of the triangle by a quarter of 400 rpm/s x 20 ms;
    # the set point is as old as its frame, at most 5 ms of 400 rpm/s
    assert found.value == pytest.approx(0.0, abs=100.0 * (2.0 + 2.0) / 500.0)


@pytest.mark.parametrize("depth", [0.1, 0.3])
def test_a_dip_is_as_deep_as_it_is(lab, depth: float) -> None:
    low = (1.0 - depth) * 700.0
    speed = [*ASKED[:2], (1.45, 680.0), (1.48, low), (1.52, low), (1.55, 720.0), *ASKED[2:]]
    found = _swept(lab, speed, ASKED)
    # the deepest is at the end of the flat, where the set point is highest: 708 rpm
    assert found.value == pytest.approx(100.0 * (1.0 - low / 708.0), abs=1.0)
    assert "set point 7" in found.detail


def test_what_was_never_reached_cannot_sag(lab) -> None:
    low = [(0.0, 100.0), (4.0, 100.0)]
    assert _swept(lab, low, ASKED).outcome is Outcome.NEVER_REACHED
