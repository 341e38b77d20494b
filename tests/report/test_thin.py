from __future__ import annotations

import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from hil.report.thin import packed, thin

series = hnp.arrays(
    np.float64,
    st.integers(0, 400),
    elements=st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))),
)


@given(y=series, points=st.integers(4, 60))
def test_a_thinned_series_keeps_ends_order_and_extremes(y: np.ndarray, points: int) -> None:
    t = np.arange(y.size, dtype=np.float64)
    thin_t, thin_y = thin(t, y, points)
    assert thin_t.size <= max(points, 0)
    assert bool(np.all(np.diff(thin_t) > 0))
    np.testing.assert_array_equal(thin_y, y[thin_t.astype(int)])
    if y.size:
        assert (thin_t[0], thin_t[-1]) == (t[0], t[-1])
    if np.isfinite(y).any():
        assert np.nanmin(thin_y) == np.nanmin(y)
        assert np.nanmax(thin_y) == np.nanmax(y)


def test_one_spike_among_a_million_samples_survives() -> None:
    t = np.linspace(0.0, 100.0, 1_000_000)
    y = np.zeros_like(t)
    y[123_457] = 9.0
    thin_t, thin_y = thin(t, y, 1000)
    assert thin_t.size <= 1000
    assert thin_t[int(np.argmax(thin_y))] == t[123_457]


def test_a_long_gap_stays_a_gap() -> None:
    t = np.arange(1000.0)
    y = np.where((t > 300) & (t < 700), np.nan, 1.0)
    thin_t, thin_y = thin(t, y, 50)
    assert bool(np.isnan(thin_y[(thin_t > 350) & (thin_t < 650)]).all())
    assert bool(((thin_t > 350) & (thin_t < 650)).any())


def test_short_series_are_left_alone() -> None:
    t = np.arange(10.0)
    assert thin(t, t, 10) == (t, t) or thin(t, t, 10)[0] is t


def test_too_few_points_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 4 points"):
        thin(np.arange(9.0), np.arange(9.0), 3)


@given(values=hnp.arrays(np.float64, st.integers(0, 50), elements=st.floats(-5.0, 20.0)))
def test_packed_numbers_are_good_to_a_65000th_of_the_range(values: np.ndarray) -> None:
    steps = np.frombuffer(base64.b64decode(packed(values, -5.0, 20.0)), dtype="<u2")
    np.testing.assert_allclose(-5.0 + steps / 65000 * 25.0, values, atol=25.0 / 65000 / 1.99)


def test_what_has_no_value_is_told_apart() -> None:
    text = packed(np.array([np.nan, 0.0, 1.0, np.inf]), 0.0, 1.0)
    assert np.frombuffer(base64.b64decode(text), dtype="<u2").tolist() == [65535, 0, 65000, 65535]


def test_a_range_of_no_width_is_no_division_by_zero() -> None:
    text = packed(np.array([3.0]), 3.0, 3.0)
    assert np.frombuffer(base64.b64decode(text), dtype="<u2").tolist() == [0]
