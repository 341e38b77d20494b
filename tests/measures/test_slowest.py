"""The slowest steady speed of a descending sweep, on waveforms whose steadiness is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.core.drive import Direction, DriveState, Fault
from hil.core.measure import Outcome
from hil.core.trace import Accuracy, Mark

S = DriveState
SPEEDS = (900.0, 700.0, 500.0, 300.0)


@pytest.fixture
def descent(lab):
    """Down from 900 rpm, a second at each speed; `ripple` peak to peak in % where it is given."""

    def make(ripple=None, factor=None, speeds=SPEEDS):
        ripple, factor = ripple or {}, factor or {}
        levels = [speed * factor.get(speed, 1.0) for speed in speeds]
        mean = lab.steps_of([(0.5 + i, level) for i, level in enumerate(levels)])
        size = lab.steps_of(
            [
                (0.5 + i, level * ripple.get(speed, 0.0) / 200.0)
                for i, (speed, level) in enumerate(zip(speeds, levels, strict=True))
            ]
        )
        # 20 Hz: ten whole periods of any half second
        return lab.Scene(
            end=0.5 + len(speeds),
            speed=lambda t: mean(t) + size(t) * np.sin(2.0 * np.pi * 20.0 * t),
            marks=[("command" if i == 0 else "set-point", 0.5 + i) for i in range(len(speeds))],
            states=[(0.0, S.IDLE), (0.5, S.RUN)],
        )

    return make


def found_in(lab, scene, speeds=SPEEDS, direction=1, edit=None, **changes):
    trace = scene.trace(direction)
    marks = tuple(
        Mark(mark.name, mark.t, mark.uncertainty, f"{direction * speed:+.0f} rpm")
        for mark, speed in zip(trace.marks, speeds, strict=True)
    )
    trace = replace(trace, marks=marks)
    trace = edit(trace) if edit else trace
    asked = {"target": speeds[0], "direction": Direction(direction), **changes}
    return lab.measures("steps", trace, **asked)["minimum-speed"]


@pytest.mark.parametrize("direction", [1, -1])
def test_the_slowest_one_asked_for_if_all_are_steady(lab, descent, direction):
    found = found_in(lab, descent(ripple={500.0: 20.0, 300.0: 30.0}), direction=direction)
    assert (found.value, found.uncertainty) == (300.0, 0.0)
    assert found.detail.startswith("no slower one was asked for; at 300 rpm")


@pytest.mark.parametrize("direction", [1, -1])
def test_ripple_ends_it(lab, descent, direction):
    found = found_in(lab, descent(ripple={300.0: 80.0}), direction=direction)
    assert (found.value, found.uncertainty) == (500.0, 0.0)
    # 20 Hz through a mean of 5 ms: sin(x) / x of its size, x = 20 pi 0.005
    through = np.sin(0.1 * np.pi) / (0.1 * np.pi)
    assert found.detail == f"at 300 rpm the ripple was {80.0 * through:.3g} %"


def test_a_speed_that_is_not_kept_ends_it(lab, descent):
    found = found_in(lab, descent(factor={500.0: 0.9}))
    assert found.value == 700.0
    assert found.detail == "at 500 rpm the mean was off by -10 %"
    assert found_in(lab, descent(factor={500.0: 0.9}), tolerance=12.0).value == 300.0


def test_a_slower_one_that_is_steady_again_does_not_count(lab, descent):
    assert found_in(lab, descent(ripple={700.0: 90.0})).value == 900.0


def test_standing_still_and_a_fault_end_it(lab, descent):
    still = found_in(lab, descent(factor={300.0: 0.0}))
    assert (still.value, still.detail) == (500.0, "at 300 rpm the shaft as good as stood")
    scene = descent()
    scene.faults = [(0.0, 0), (2.7, int(Fault.STALL)), (2.9, 0)]
    tripped = found_in(lab, scene)
    assert (tripped.value, tripped.detail) == (700.0, "at 500 rpm reported fault: stall")


def test_not_even_the_fastest(lab, descent):
    found = found_in(lab, descent(ripple={900.0: 80.0}))
    assert found.outcome is Outcome.NEVER_REACHED
    assert "not steady even at the fastest speed: at 900 rpm the ripple" in found.detail


def test_what_is_sweep_and_what_is_not(lab, descent):
    """From the fastest on, downwards, of one direction: what came before or goes up is not."""
    speeds = (500.0, 900.0, 700.0, 800.0, 300.0)
    found = found_in(lab, descent(ripple={500.0: 90.0, 300.0: 90.0}, speeds=speeds), speeds)
    assert found.value == 700.0
    one = found_in(lab, descent(speeds=(500.0, 900.0)), (500.0, 900.0))
    assert one.outcome is Outcome.NOT_APPLICABLE
    assert "no two speeds, each slower" in one.detail


def test_the_other_direction_is_no_slower_speed(lab, descent):
    scene = descent(speeds=(900.0, 700.0))

    def turned(trace):
        first, second = trace.marks
        return replace(trace, marks=(first, replace(second, name="reverse", detail="-700 rpm")))

    assert found_in(lab, scene, (900.0, 700.0), edit=turned).outcome is Outcome.NOT_APPLICABLE


def test_a_speed_not_held_long_enough_is_passed_over(lab, descent):
    """700 rpm, uneven as it is, for 0.4 s of the sweep; 300 rpm for the last 0.3 s of it."""
    scene, times = descent(), (0.5, 2.1, 2.5, 4.2)
    mean = lab.steps_of(list(zip(times, SPEEDS, strict=True)))
    scene.speed = lambda t: mean(t) * (1.0 + 0.45 * np.sin(40.0 * np.pi * t) * (mean(t) == 700.0))
    scene.marks = [("command" if t == 0.5 else "set-point", t) for t in times]
    assert found_in(lab, scene).value == 500.0


def test_near_the_limit_the_speed_beside_it_may_be_the_true_one(lab, descent):
    """A ripple of 50 % to the hair; a tachometer good to 0.5 rpm cannot tell the side."""
    through = np.sin(0.1 * np.pi) / (0.1 * np.pi)
    for ripple in (49.98, 50.02):
        found = found_in(lab, descent(ripple={500.0: ripple / through}))
        assert found.value == (300.0 if ripple < 50.0 else 700.0)
        # from 700 to 300 rpm, rectangular
        assert found.uncertainty == pytest.approx(400.0 / np.sqrt(3.0))


def coarse(resolution):
    def edit(trace):
        speed = trace.channels["witness.speed"]
        rounded = replace(
            speed,
            y=resolution * np.round(speed.y / resolution),
            accuracy=Accuracy(0.001, 0.5, resolution),
        )
        return replace(trace, channels={**trace.channels, speed.name: rounded})

    return edit


def test_a_tachometer_that_is_too_coarse_tells_nothing(lab, descent):
    found = found_in(lab, descent(), edit=coarse(150.0))
    assert found.outcome is Outcome.TOO_FEW_SAMPLES
    # a mean of five readings of 150 rpm
    step = 150.0 / np.sqrt(5.0) / 300.0 * 100.0
    assert f"resolves {step:.3g} % of 300 rpm" in found.detail
    assert found_in(lab, descent(), edit=coarse(10.0)).value == 300.0


def test_a_hole_and_faults_that_nobody_heard_of_are_missing(lab, descent):
    def holed(trace):
        return lab.without(trace, "witness.speed", 4.2, 4.3)

    assert found_in(lab, descent(), edit=holed).outcome is Outcome.MISSING_DATA

    def unheard(trace):
        return lab.without(trace, "reported.fault", 2.6, 2.8)

    assert found_in(lab, descent(), edit=unheard).outcome is Outcome.MISSING_DATA
