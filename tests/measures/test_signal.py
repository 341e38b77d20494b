"""Signals: finite samples, gaps, and the uncertainty of a crossing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core import budget
from hil.core.measure import Outcome
from hil.core.trace import Accuracy, Channel
from hil.measures.signal import EDGE, Signal
from hil.measures.unmeasurable import Unmeasurable

ACCURACY = Accuracy(relative=0.01, absolute=0.3, resolution=0.1)


def signal(t, y=None, **more):
    t = np.asarray(t, dtype=np.float64)
    y = np.ones_like(t) if y is None else np.asarray(y, dtype=np.float64)
    return Signal.of(Channel("witness.speed", "rpm", t, y, **more))


def outcome(call, *args):
    with pytest.raises(Unmeasurable) as caught:
        call(*args)
    return caught.value.outcome, caught.value.detail


def test_samples_without_a_value_are_left_out():
    s = signal([0.0, 1.0, 2.0, 3.0, 4.0], [1.0, np.nan, np.inf, 4.0, -1e300])
    assert s.t.tolist() == [0.0, 3.0]
    assert s.y.tolist() == [1.0, 4.0]


def test_the_interval_is_the_stated_one_or_the_median():
    assert signal([0.0, 1.0, 2.0, 9.0]).interval == 1.0
    assert signal([0.0, 1.0, 2.0, 9.0], interval=0.25).interval == 0.25
    assert signal([0.0]).interval == 0.0
    assert signal([]).interval == 0.0


def test_a_window_holds_its_ends():
    s = signal(np.arange(0.0, 2.0, 0.1), interval=0.1)
    part = s.window(0.5, 1.0)
    assert part.t[0] == pytest.approx(0.5)
    assert part.t[-1] == pytest.approx(1.0)


@pytest.mark.parametrize(("hole", "whole"), [(2, True), (3, False), (10, False)])
def test_a_gap_of_more_than_three_intervals_is_missing_data(hole, whole):
    t = np.arange(0, 300) * 0.01
    s = signal(np.delete(t, np.s_[100 : 100 + hole]), interval=0.01)
    if whole:  # 2 samples lost: 3 intervals
        assert s.window(0.5, 2.0).t.size
        return
    found, detail = outcome(s.window, 0.5, 2.0)
    assert found is Outcome.MISSING_DATA
    assert "witness.speed" in detail
    assert "0.99" in detail
    # outside the judged window it does not matter
    assert s.window(1.5, 2.0).t.size


def test_a_stretch_of_nan_is_a_gap():
    t = np.arange(0, 300) * 0.01
    y = np.where((t > 1.0) & (t < 1.1), np.nan, 1.0)
    assert outcome(signal(t, y, interval=0.01).window, 0.5, 2.0)[0] is Outcome.MISSING_DATA


def test_samples_that_begin_late_or_end_early_are_missing_data():
    s = signal(np.arange(1.0, 2.0, 0.01), interval=0.01)
    assert outcome(s.window, 0.5, 1.5)[0] is Outcome.MISSING_DATA
    assert outcome(s.window, 1.5, 2.5)[0] is Outcome.MISSING_DATA
    assert outcome(s.window, 3.0, 4.0)[0] is Outcome.MISSING_DATA
    # the last fetch may lie a little before the end
    assert s.window(1.5, 1.99 + 0.9 * EDGE).t.size
    assert outcome(s.window, 1.5, 1.99 + 1.5 * EDGE)[0] is Outcome.MISSING_DATA


def test_too_few_samples():
    s = signal([0.0, 0.1, 0.2], interval=0.1)
    assert outcome(s.window, 0.0, 0.2, 4)[0] is Outcome.TOO_FEW_SAMPLES
    assert outcome(s.window, 0.1, 0.1, 2)[0] is Outcome.TOO_FEW_SAMPLES


def test_cut_checks_nothing():
    s = signal([0.0, 5.0, 6.0], interval=0.1)
    assert s.cut(1.0, 2.0).t.size == 0
    assert s.cut(-9.0, 9.0).t.tolist() == [0.0, 5.0, 6.0]
    assert (-s).y.tolist() == [-1.0, -1.0, -1.0]


def test_level_and_difference_uncertainty():
    s = signal([0.0, 1.0], accuracy=ACCURACY)
    # JCGM 100:2008, 4.3.7: a limit of error a gives a/sqrt(3), a resolution d gives d/sqrt(12)
    # share and fixed part have causes of their own
    at_100 = np.sqrt((1.0**2 + 0.3**2) / 3.0 + 0.1**2 / 12.0)
    assert s.level(100.0).total == pytest.approx(at_100)
    assert s.level(-100.0).total == pytest.approx(at_100)
    # a gain error is common to both readings
    assert s.difference().total == pytest.approx(np.sqrt(2.0 * (0.09 / 3.0 + 0.01 / 12.0)))


def test_resolution_of_a_mean():
    s = signal([0.0, 1.0], accuracy=ACCURACY, interval=0.01)
    assert s.resolution_of_mean(1.0) == pytest.approx(0.01)
    assert s.resolution_of_mean(0.001) == pytest.approx(0.1)
    assert signal([0.0], accuracy=ACCURACY).resolution_of_mean(1.0) == pytest.approx(0.1)


def test_budget_of_a_crossing():
    t = np.arange(0.0, 1.0, 0.01)
    s = signal(t, 200.0 * t, accuracy=ACCURACY, time_uncertainty=0.002, interval=0.01)
    # limits of error 1.0 and 0.3, and a count over a gate, triangular over one step of 0.1
    limits, counted = np.hypot(1.0, 0.3) / np.sqrt(3.0), 0.1 / np.sqrt(6.0)
    parts = [0.002, limits / 200.0, counted / 200.0]
    assert s.crossing(0.5).total == pytest.approx(np.linalg.norm(parts), rel=1e-6)
    # a mean of two readings, and no limits of error for a level that comes from the signal itself
    smooth = [0.002, limits / 200.0, counted / np.sqrt(2.0) / 200.0]
    assert s.crossing(0.5, 0.02).total == pytest.approx(np.linalg.norm(smooth), rel=1e-6)
    own = s.crossing(0.5, 0.02, budget.line(budget.NOISE, 3.0))
    assert {p.source for p in own.parts} == {budget.CLOCK, budget.RESOLUTION, budget.NOISE}
    assert own.of(budget.NOISE).total == pytest.approx(3.0 / 200.0)


def test_a_bent_waveform_is_not_where_a_straight_line_has_it():
    t = np.arange(0.0, 1.0, 0.01)
    s = signal(t, 200.0 * t**2, interval=0.01)
    # y'' h^2/8 over the slope of 200 at 0.5 s
    bend = 400.0 * 0.01**2 / 8.0 / 200.0
    assert s.crossing(0.5).of(budget.SAMPLING).total == pytest.approx(bend / np.sqrt(3.0), rel=1e-6)


def test_a_flat_waveform_does_not_give_an_endless_uncertainty():
    s = signal(np.arange(0.0, 1.0, 0.01), accuracy=ACCURACY, interval=0.01)
    assert s.crossing(0.5).total == pytest.approx(0.1, rel=0.01)
    exact = signal(np.arange(0.0, 1.0, 0.01), interval=0.01)
    assert exact.crossing(0.5).total == pytest.approx(0.01 / np.sqrt(12.0))
    assert signal([0.0]).crossing(0.0).total == 0.0


@settings(deadline=None, max_examples=100)
@given(st.integers(0, 2**31), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_window_is_whole_or_refused(seed, start, width):
    """Whatever a window returns has no hole larger than allowed, its edges included."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0.0, 2.0, 300))
    s = signal(np.unique(t), interval=0.01)
    end = start + width
    try:
        part = s.window(start, end, 1)
    except Unmeasurable as why:
        part = None
        reason = why.outcome
    if part is None:
        inside = s.t[(s.t >= start) & (s.t <= end)]
        holes = np.diff(np.concatenate(([start], inside, [end])))
        assert reason is Outcome.MISSING_DATA
        assert inside.size == 0 or np.max(holes) > 0.03
    else:
        assert np.max(np.diff(part.t), initial=0.0) <= 0.0301
        assert part.t[0] - start <= 0.0301
        assert end - part.t[-1] <= EDGE + 1e-9


def counting(resolution=3.0, gate=0.005):
    return Signal(
        "s", np.zeros(1), np.zeros(1), Accuracy(0.0, 0.0, resolution), 0.0, 0.001, "", gate
    )


@pytest.mark.parametrize("width", [0.0, 0.002, 0.005, 0.020, 0.200])
def test_rounding_of_a_counted_speed_is_that_of_the_counts_at_its_ends(width):
    """Closed form, and shafts of any speed that are really counted."""
    rng, step, gate, n = np.random.default_rng(2), 3.0, 5, max(1, round(1000 * width))
    ends = min(n, gate)
    expected = step * np.sqrt(2.0 * ends / 12.0) / n  # 2 g rounded counts, the n-th part of each
    assert counting().rounding(width).total == pytest.approx(expected)
    errors = []
    for _ in range(4000):
        turned = rng.uniform() + rng.uniform(20.0, 60.0) * np.arange(n + gate)
        turned += np.cumsum(rng.uniform(0.0, 1.0, turned.size))  # it wanders over its counts
        off = (np.floor(turned) - turned)[gate:] - (np.floor(turned) - turned)[:-gate]
        errors.append(step * float(np.mean(off)))
    assert np.std(errors) == pytest.approx(expected, rel=0.06)


def test_counts_of_a_shaft_that_stands_are_rounded_alike():
    """At one end five counts a gate apart from five that are all one and the same."""
    step, n = 3.0, 5
    expected = step / n * np.sqrt((5.0 + 25.0) / 12.0)
    assert counting().rounding(0.005, (300.0, 0.0)).total == pytest.approx(expected)
    assert counting().rounding(0.005, (300.0, -300.0)).total == counting().rounding(0.005).total
    rng, errors = np.random.default_rng(3), []
    for _ in range(4000):
        moving = rng.uniform() + np.cumsum(rng.uniform(20.0, 60.0, 5))
        standing = np.full(5, rng.uniform())
        off = [np.mean(np.floor(x) - x) for x in (standing, moving)]
        errors.append(step * (off[0] - off[1]))
    assert np.std(errors) == pytest.approx(expected, rel=0.06)


def test_a_reading_that_is_not_counted_is_rounded_on_its_own():
    s = counting(gate=0.0)
    assert s.rounding() == budget.rectangular(budget.RESOLUTION, 1.5)
    assert s.rounding(0.020).total == pytest.approx(3.0 / np.sqrt(12.0 * 20.0))
    assert counting(resolution=0.0).rounding(0.020).parts == ()


@pytest.mark.parametrize("degrees", [0.0, 10.0, -90.0, 180.0, 720.0])
def test_two_angles_of_an_eccentric_encoder_differ_by_a_chord_of_its_error(degrees):
    """Amplitude and phase drawn so that the error of one angle is uniform within its limits."""
    limit, rng = 0.05, np.random.default_rng(4)
    s = Signal("p", np.zeros(1), np.zeros(1), Accuracy(0.0, limit, 0.0), 0.0, 0.001)
    size = limit * np.sqrt(1.0 - rng.uniform(-1.0, 1.0, 20000) ** 2)
    phase = rng.uniform(0.0, 2.0 * np.pi, size.size)
    turn = min(abs(degrees), 180.0)  # a travel of more passes the angle farthest away
    off = size * (np.sin(phase + np.radians(turn)) - np.sin(phase))
    half = 2.0 * limit * np.sin(np.radians(turn) / 2.0)
    assert s.travel(degrees).total == pytest.approx(half / np.sqrt(3.0))
    assert np.std(off) == pytest.approx(half / np.sqrt(3.0), rel=0.03)
    assert np.max(np.abs(off)) <= half + 1e-12


def test_what_is_clipped_begins_and_ends_where_it_is_asked_to():
    s = signal([0.0, 1.0, 2.0, 3.0], [0.0, 10.0, 20.0, 30.0], interval=1.0)
    part = s.clipped(0.25, 2.5)
    assert part.t.tolist() == [0.25, 1.0, 2.0, 2.5]
    assert part.y.tolist() == [2.5, 10.0, 20.0, 25.0]
    assert s.clipped(1.0, 2.0).t.tolist() == [1.0, 2.0]
    assert s.clipped(-5.0, 0.5).t.tolist() == [0.0, 0.5]
    assert s.clipped(8.0, 9.0).t.size == 0


def test_a_chord_between_values_that_lie_nearer_misses_less():
    t = np.arange(0.0, 1.0, 0.005)
    s = signal(t, 200.0 * t**2, interval=0.01)
    bend = 400.0 * 0.005**2 / 8.0 / 200.0
    assert s.crossing(0.5).of(budget.SAMPLING).total == pytest.approx(bend / np.sqrt(3.0), rel=1e-6)
