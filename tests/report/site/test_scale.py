from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.report.site.scale import Axis, axis, middle, tick_words

numbers = st.floats(-1e9, 1e9, allow_nan=False).filter(lambda x: x == 0 or abs(x) > 1e-9)


@given(st.lists(numbers, min_size=1, max_size=30), st.lists(numbers, max_size=4))
def test_every_value_lies_on_the_axis_and_every_limit_is_on_it_or_told(
    values: list[float], limits: list[float]
) -> None:
    found, far = axis(np.array(values), np.array([*limits, np.nan]))
    assert found.low < found.high
    assert all(found.holds(value) for value in values)
    assert all(0 <= place <= 1000 for place in found.places(np.array(values)))
    for limit in limits:
        assert found.holds(limit) or limit in far


@given(numbers, numbers)
def test_ticks_are_round_few_and_on_the_axis(one: float, other: float) -> None:
    found, _ = axis(np.array([one, other]), np.array([np.nan]))
    ticks = found.ticks()
    assert 1 <= len(ticks) <= 5
    assert ticks == sorted(ticks)
    assert all(found.low - 1e-9 * abs(found.low) <= tick <= found.high for tick in ticks)


def test_a_larger_value_stands_higher() -> None:
    scale = Axis(0.0, 10.0)
    assert (scale.place(10.0), scale.place(5.0), scale.place(0.0)) == (0, 500, 1000)
    assert (scale.place(99.0), scale.place(-99.0)) == (0, 1000)
    assert scale.places(np.array([10.0, 2.5])) == [0, 750]


def test_a_near_limit_is_drawn_and_a_far_one_is_told() -> None:
    values = np.array([0.79, 0.81])
    assert axis(values, np.array([0.83]))[1] == ()
    scale, far = axis(values, np.array([2.0]))
    assert far == (2.0,)
    assert scale.high < 0.9


def test_what_never_varies_has_room() -> None:
    scale, _ = axis(np.array([3.0, 3.0]), np.array([np.nan]))
    assert (scale.low, scale.high) == pytest.approx((2.7, 3.3))
    scale, _ = axis(np.array([0.0]), np.array([]))
    assert (scale.low, scale.high) == (-1.0, 1.0)


def test_without_values_the_limits_are_shown() -> None:
    scale, far = axis(np.array([np.nan]), np.array([1.0, 2.0]))
    assert far == ()
    assert scale.holds(1.0)
    assert scale.holds(2.0)
    assert axis(np.array([]), np.array([]))[0].holds(0.5)


def test_ticks_step_by_one_two_or_five() -> None:
    assert Axis(0.0, 1.0).ticks() == pytest.approx([0.0, 0.2, 0.4, 0.6, 0.8])
    assert Axis(-3.0, 12.0).ticks() == pytest.approx([0.0, 5.0, 10.0])


@given(st.lists(numbers, min_size=1, max_size=30))
def test_the_middle_is_the_median(values: list[float]) -> None:
    assert middle(np.array(values)) == np.median(values)


@pytest.mark.parametrize(
    ("ticks", "words"),
    [
        ([20.0, 20.01, 20.02], ["20.00", "20.01", "20.02"]),
        ([0.56, 0.58, 0.6], ["0.56", "0.58", "0.60"]),
        ([0.0, 2.5, 5.0], ["0.0", "2.5", "5.0"]),
        ([-1000.0, 0.0, 1000.0], ["-1000", "0", "1000"]),
        ([0.0, 0.1, 0.2, 0.1 * 3], ["0.0", "0.1", "0.2", "0.3"]),
        ([7.25], ["7.25"]),
        ([], []),
    ],
)
def test_ticks_have_the_decimals_of_their_step(ticks: list[float], words: list[str]) -> None:
    assert tick_words(ticks) == words


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6))
def test_no_two_ticks_read_alike_and_each_reads_as_it_stands(low: float, span: float) -> None:
    ticks = Axis(low, low + span).ticks()
    words = tick_words(ticks)
    assert len(set(words)) == len(words)
    assert [float(word) for word in words] == pytest.approx(ticks, rel=1e-9, abs=1e-9)


def test_an_axis_spans_what_it_must() -> None:
    values = np.array([25.0, 25.1])
    found, _ = axis(values, np.array([]), 4.0)
    assert found.high - found.low >= 4.0
    assert found.low + found.high == pytest.approx(50.1)
    wide, _ = axis(np.array([0.0, 9.0]), np.array([]), 4.0)
    assert wide == axis(np.array([0.0, 9.0]), np.array([]))[0]
    same = np.array([1.0, 1.0])
    assert axis(same, np.array([]), 4.0) == axis(same, np.array([])), "which is no change anyway"
