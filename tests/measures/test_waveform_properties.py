"""What must not change a waveform measure: where time starts, scale, sign, more samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.measures import waveform as wf
from hil.measures.unmeasurable import Unmeasurable

UNIT = (0.0, 1.0)

steps = st.tuples(
    st.floats(0.15, 0.95), st.floats(1.0, 5.0), st.integers(200, 900), st.integers(0, 2**31)
)


def sampled(second_order, made):
    """An irregularly sampled second-order step and its plain results."""
    zeta, wn, n, seed = made
    rng = np.random.default_rng(seed)
    t = np.concatenate(([0.0], np.cumsum(rng.uniform(0.2, 1.8, n)))) * (60.0 / n)
    return t, second_order(wn * t, zeta)


def results(t, y, levels, onset):
    low, high = levels
    return np.array(
        [
            wf.transition_duration(t, y, levels),
            wf.overshoot(y, levels),
            wf.undershoot(y, levels),
            wf.last_entry(t, y, high, 0.05 * abs(high - low), onset),
            wf.first_entry(t, y, high, 0.05 * abs(high - low), onset),
        ]
    )


@settings(deadline=None, max_examples=60)
@given(steps, st.floats(-1000.0, 1000.0))
def test_a_shift_in_time_changes_nothing(second_order, made, shift):
    t, y = sampled(second_order, made)
    before = results(t, y, UNIT, 0.0)
    assert results(t + shift, y, UNIT, shift) == pytest.approx(before, rel=1e-7, abs=1e-7)


@settings(deadline=None, max_examples=60)
@given(steps, st.floats(1e-3, 1e4), st.floats(-1e3, 1e3))
def test_scale_and_offset_change_nothing(second_order, made, scale, offset):
    t, y = sampled(second_order, made)
    before = results(t, y, UNIT, 0.0)
    levels = (offset, offset + scale)
    after = results(t, offset + scale * y, levels, 0.0)
    # an offset costs digits of the samples themselves
    lost = 1e-9 * (1.0 + abs(offset) / scale)
    assert after == pytest.approx(before, rel=lost, abs=100.0 * lost)


@settings(deadline=None, max_examples=60)
@given(steps)
def test_a_mirror_changes_nothing(second_order, made):
    t, y = sampled(second_order, made)
    assert results(t, -y, (0.0, -1.0), 0.0).tolist() == results(t, y, UNIT, 0.0).tolist()


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**31), st.floats(0.1, 50.0), st.floats(-1e3, 1e3))
def test_state_levels_turn_and_scale_with_the_waveform(seed, scale, offset):
    rng = np.random.default_rng(seed)
    y = np.repeat([0.0, 1.0], 2000) + 0.002 * rng.standard_normal(4000)
    low, high = wf.state_levels(y)
    assert wf.state_levels(-y) == pytest.approx((-high, -low), abs=0.01)
    expected = (offset + scale * low, offset + scale * high)
    assert wf.state_levels(offset + scale * y) == pytest.approx(expected, abs=0.01 * scale)


@settings(deadline=None, max_examples=40)
@given(steps)
def test_samples_put_between_change_nothing(second_order, made):
    t, y = sampled(second_order, made)
    finer = np.unique(np.concatenate([t, (t[1:] + t[:-1]) / 2.0]))
    again = np.interp(finer, t, y)
    before = results(t, y, UNIT, 0.0)
    assert results(finer, again, UNIT, 0.0) == pytest.approx(before, rel=1e-9, abs=1e-9)
    assert wf.integral_of_square(finer, again, 0.0, 30.0) == pytest.approx(
        wf.integral_of_square(t, y, 0.0, 30.0), rel=1e-9
    )


finite = st.floats(-1e6, 1e6, allow_nan=False)


@settings(deadline=None, max_examples=200)
@given(st.lists(finite, min_size=0, max_size=12), finite, st.floats(0.0, 1e6), st.randoms())
def test_arbitrary_samples_give_a_number_or_a_reason(values, level, width, random):
    y = np.array(values, dtype=np.float64)
    t = np.cumsum(np.array([random.uniform(1e-6, 1.0) for _ in values], dtype=np.float64))
    calls = (
        lambda: wf.state_levels(y),
        lambda: wf.transition(t, y, (level, level + width)),
        lambda: wf.overshoot(y, (level, level + width)),
        lambda: wf.undershoot(y, (level, level - width)),
        lambda: wf.first_entry(t, y, level, width, 0.0),
        lambda: wf.last_entry(t, y, level, width, 0.0),
        lambda: wf.peak(t, y),
        lambda: wf.mean(t, y),
        lambda: wf.ripple(t, y, width),
        lambda: wf.integral_of_square(t, y, 0.0, width),
    )
    for call in calls:
        found, why = attempt(call)
        assert why if found is None else np.all(np.isfinite(found))


def attempt(call):
    try:
        return call(), ""
    except Unmeasurable as why:
        return None, why.detail
