from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from hil.core.thinning import is_thin, thin, thin_trace
from hil.core.trace import Channel, Mark, Trace

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


def trace(n: int, *marks: float, y: np.ndarray | None = None, interval: float = 0.001) -> Trace:
    t = np.arange(n) * interval
    values = np.sin(7.0 * t) if y is None else y
    channels = {name: Channel(name, "rpm", t, values, interval=interval) for name in ("a", "b")}
    return Trace(channels, tuple(Mark("m", at) for at in marks), end=n * interval, frames=n, lost=2)


@given(
    y=hnp.arrays(np.float64, st.integers(0, 300), elements=st.floats(-1e6, 1e6)),
    points=st.integers(4, 60),
    marks=st.lists(st.floats(0.0, 0.3), max_size=4).map(sorted),
)
def test_a_thinned_trace_keeps_extremes_marks_and_what_is_beside_them(
    y: np.ndarray, points: int, marks: list[float]
) -> None:
    whole = trace(len(y), *marks, y=y)
    thinned = thin_trace(whole, points)
    assert (thinned.marks, thinned.end, thinned.frames, thinned.lost) == (
        whole.marks, whole.end, whole.frames, whole.lost,
    )  # fmt: skip
    for key, channel in thinned.channels.items():
        former = whole.channels[key]
        assert len(channel) <= max(points + 2 * len(marks), 0)
        index = np.searchsorted(former.t, channel.t)
        np.testing.assert_array_equal(former.t[index], channel.t)
        np.testing.assert_array_equal(former.y[index], channel.y)
        if len(former):
            assert (channel.y.min(), channel.y.max()) == (former.y.min(), former.y.max())
            assert (channel.t[0], channel.t[-1]) == (former.t[0], former.t[-1])
        for at in marks:
            for beside in (former.t[former.t < at][-1:], former.t[former.t >= at][:1]):
                assert set(beside) <= set(channel.t)


@given(n=st.integers(2, 3000), points=st.integers(4, 300))
def test_a_thinned_channel_without_gaps_shows_none(n: int, points: int) -> None:
    channel = thin_trace(trace(n), points).channels["a"]
    assert np.diff(channel.t).max() <= channel.interval * (1.0 + 1e-9)


def test_thinning_again_changes_nothing_worth_a_file() -> None:
    whole = trace(5000, 0.1, 0.2)
    assert not is_thin(whole, 200)
    once = thin_trace(whole, 200)
    assert is_thin(once, 200)
    assert not is_thin(once, 50)
    assert is_thin(trace(0), 4)


def test_a_trace_needs_four_points_too() -> None:
    with pytest.raises(ValueError, match="at least 4 points"):
        thin_trace(trace(3), 3)
