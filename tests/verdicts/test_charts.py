from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.verdicts.charts import a2, c4, counts, cusum, d2, d3, ewma, individuals, proportions

series = st.lists(st.floats(-100, 100), min_size=2, max_size=40)

EWMA_DATA = [
    52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip


@pytest.mark.parametrize(
    ("size", "mean_range", "unbiasing", "factor"),
    [
        (2, 1.1284, 0.7979, 1.880),
        (3, 1.6926, 0.8862, 1.023),
        (4, 2.0588, 0.9213, 0.729),
        (5, 2.3259, 0.9400, 0.577),
    ],
)  # computed by quadrature and the gamma function
def test_constants(size, mean_range, unbiasing, factor):
    assert d2(size) == pytest.approx(mean_range, abs=5e-5)
    assert c4(size) == pytest.approx(unbiasing, abs=5e-5)
    assert a2(size) == pytest.approx(factor, abs=5e-4)


def test_constants_of_ten():
    assert d2(10) == pytest.approx(3.0775, abs=5e-5)
    assert c4(10) == pytest.approx(0.9727, abs=5e-5)


def test_range_of_two_in_closed_form():
    # |x - y| is half-normal of deviation sqrt(2): mean 2/sqrt(pi), variance 2 - 4/pi.
    assert d2(2) == pytest.approx(2.0 / math.sqrt(math.pi), abs=1e-10)
    assert d3(2) == pytest.approx(math.sqrt(2.0 - 4.0 / math.pi), abs=1e-6)


def test_range_constants_by_simulation():
    data = np.ptp(np.random.default_rng(3).standard_normal((200_000, 5)), axis=1)
    assert d2(5) == pytest.approx(data.mean(), abs=0.01)
    assert d3(5) == pytest.approx(data.std(), abs=0.01)


def test_individuals_of_the_handbook():
    # NIST e-Handbook 6.3.2.2, with the rounded d2 of 1.128 that it uses (document and computed).
    found = individuals(EWMA_DATA[10:], mean_range_factor=1.128)
    assert found.values.centre == pytest.approx(50.81, abs=1e-9)
    assert found.ranges.centre == pytest.approx(1.8778, abs=5e-5)
    assert found.values.high[0] == pytest.approx(55.8041, abs=1e-4)
    assert found.values.low[0] == pytest.approx(45.8159, abs=1e-4)
    # The published limit of the ranges, 6.1349, uses a rounded factor of 3.267.
    assert found.ranges.high[0] / found.ranges.centre == pytest.approx(3.267, abs=5e-4)
    assert found.ranges.high[0] == pytest.approx(6.1349, abs=1.2e-3)
    assert found.values.out == found.ranges.out == ()


def test_individuals_with_the_exact_constant():
    found = individuals(EWMA_DATA[10:])
    assert found.sigma == pytest.approx(1.8777778 / 1.1283792, abs=1e-6)


def test_ewma_of_the_handbook():
    # NIST e-Handbook 6.3.2.4 (document and computed).
    published = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    found = ewma(EWMA_DATA, 50.0, 2.0539, 0.3, settled=True)
    assert found.points == pytest.approx(published, abs=0.005)
    assert found.high[0] == pytest.approx(52.5884, abs=1e-4)
    assert found.low[0] == pytest.approx(47.4115, abs=1e-4)  # published value is cut off
    assert found.out == ()


def test_ewma_limits_widen_with_time():
    # mu + L s sqrt(w/(2-w) (1 - (1-w)^2t)) at t = 1, 2, 3, 10 (computed).
    found = ewma(EWMA_DATA, 50.0, 2.0539, 0.3)
    expected = [51.848510, 52.256394, 52.431406, 52.587399]
    assert found.high[[0, 1, 2, 9]] == pytest.approx(expected, abs=1e-6)
    assert found.low == pytest.approx(100.0 - found.high)


def test_ewma_with_full_weight_is_the_series():
    found = ewma(EWMA_DATA, 50.0, 1.0, 1.0)
    assert found.points == pytest.approx(EWMA_DATA)
    assert found.high == pytest.approx(np.full(20, 53.0))


def test_ewma_false_alarms_are_rare():
    data = np.random.default_rng(4).standard_normal((300, 100))
    out = [len(ewma(row, 0.0, 1.0, 0.2).out) for row in data]
    assert sum(out) / data.size < 0.005  # 0.0027 a point for a normal statistic


CUSUM_DATA = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip


def test_cusum_of_the_handbook():
    # NIST e-Handbook 6.3.2.3 (document and computed); figures there are cut or rounded to 0.005.
    found = cusum(CUSUM_DATA, 325.0, 0.3175, 4.1959)
    high = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0,
            3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035]  # fmt: skip
    low = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, *[0] * 9]
    assert found.high == pytest.approx(high, abs=0.0051)
    assert found.low == pytest.approx(low, abs=0.0051)
    assert found.signal == 13  # group 14


def test_cusum_sees_a_fall_as_well():
    mirrored = cusum([650.0 - value for value in CUSUM_DATA], 325.0, 0.3175, 4.1959)
    assert mirrored.low == pytest.approx(cusum(CUSUM_DATA, 325.0, 0.3175, 4.1959).high)
    assert mirrored.signal == 13


def test_cusum_without_change_is_silent():
    assert cusum([1.0] * 50, 1.0, 0.1, 1.0).signal is None


def test_counts_of_the_handbook():
    # NIST e-Handbook 6.3.3.1 (document and computed).
    found = counts([
        16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14,
        16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13,
    ])  # fmt: skip
    assert (found.centre, found.high[0], found.low[0]) == pytest.approx((16.0, 28.0, 4.0))
    assert found.out == (23,)  # 28 lies on the limit, and is in


def test_proportions_of_the_handbook():
    # NIST e-Handbook 6.3.3.2 (document and computed).
    found = proportions([
        12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22,
        8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
    ], 50)  # fmt: skip
    assert found.centre == pytest.approx(0.2313, abs=1.5e-4)
    assert found.high[0] == pytest.approx(0.4103, abs=1.5e-4)
    assert found.low[0] == pytest.approx(0.0524, abs=1.5e-4)
    assert found.out == (14, 22)


def test_limits_of_rare_events_stay_possible():
    assert counts([0, 1, 0, 0]).low[0] == 0.0
    assert proportions([1, 0, 0], 10).low[0] == 0.0
    assert proportions([10, 10, 9], 10).high[0] == 1.0


@given(series, st.floats(0.1, 100), st.floats(-100, 100))
def test_charts_follow_scale_and_offset(values, scale, offset):
    moved = [scale * value + offset for value in values]
    before, after = individuals(values), individuals(moved)
    assert after.sigma == pytest.approx(scale * before.sigma, rel=1e-6, abs=1e-6)
    assert after.values.high == pytest.approx(scale * before.values.high + offset, abs=1e-6 * 1e4)
    smooth = ewma(values, 1.0, 2.0), ewma(moved, scale + offset, 2.0 * scale)
    assert smooth[1].points == pytest.approx(scale * smooth[0].points + offset, abs=1e-6)
    sums = cusum(values, 1.0, 0.5, 4.0), cusum(moved, scale + offset, 0.5 * scale, 4.0 * scale)
    assert sums[1].high == pytest.approx(scale * sums[0].high, rel=1e-6, abs=1e-6)


@given(series)
def test_cusum_is_never_negative(values):
    found = cusum(values, 0.0, 0.5, 5.0)
    assert np.all(found.high >= 0.0)
    assert np.all(found.low >= 0.0)


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: individuals([1.0]), "at least 2"),
        (lambda: individuals([1.0, math.nan]), "finite"),
        (lambda: ewma([1.0], 0.0, 1.0, 0.0), "no such average"),
        (lambda: ewma([1.0], 0.0, math.nan), "no such average"),
        (lambda: cusum([1.0], 0.0, -1.0, 1.0), "no such chart"),
        (lambda: cusum([1.0], 0.0, 1.0, 0.0), "no such chart"),
        (lambda: counts([-1, 2]), "not negative"),
        (lambda: proportions([5], 4), "between 0 and"),
        (lambda: d2(1), "two values"),
        (lambda: c4(1), "two values"),
        (lambda: d3(0), "two values"),
    ],
    ids=range(11),
)
def test_no_chart(call, match):
    with pytest.raises(ValueError, match=match):
        call()
