from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.verdicts.changes_scatter import night_means


def means(*nights: list[float]):
    night = np.array([i for i, values in enumerate(nights) for _ in values], dtype=np.intp)
    value = np.array([v for values in nights for v in values], dtype=np.float64)
    return night_means(night, value, len(nights))


def test_a_night_is_the_mean_of_its_repeats_with_their_scatter():
    found = means([1.0, 2.0, 3.0], [5.0], [], [math.nan, 4.0])
    assert found.mean[:2].tolist() == [2.0, 5.0]
    assert math.isnan(found.mean[2])
    assert found.mean[3] == 4.0
    assert found.count.tolist() == [3, 1, 0, 1]
    assert found.scatter[0] == 1.0
    assert np.isnan(found.scatter[1:]).all()


def test_both_scatters_as_in_an_analysis_of_variance():
    # JCGM 100:2008, H.5.2, table H.9 (from memory; vouched for by the results printed there: mean
    # 97 uV above 10 V, scatter of the daily means 57 uV, pooled 85 uV, between days 43 uV): five
    # readings of a voltage standard on each of ten days.
    mean = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], dtype=np.float64)
    spread = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], dtype=np.float64)
    z = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    z /= np.std(z, ddof=1)
    found = means(*[(m + s * z).tolist() for m, s in zip(mean, spread, strict=True)])
    assert found.mean == pytest.approx(mean)
    assert found.scatter == pytest.approx(spread)
    daily = float(np.std(found.mean, ddof=1))
    assert (round(float(found.mean.mean())), round(daily)) == (97, 57)
    assert round(found.within) == 85
    assert round(found.between(daily)) == 43


def test_simulated_scatters_come_out_as_they_went_in():
    rng = np.random.default_rng(4)
    nights = [(10.0 + 0.3 * rng.standard_normal() + 0.5 * rng.standard_normal(k)).tolist()
              for k in rng.integers(1, 9, 3000)]  # fmt: skip
    found = means(*nights)
    assert found.within == pytest.approx(0.5, rel=0.03)
    assert found.between(float(np.std(found.mean, ddof=1))) == pytest.approx(0.3, rel=0.06)


def test_nights_that_differ_less_than_their_repeats_do_not_differ():
    found = means([1.0, 3.0], [1.5, 2.5], [0.0, 4.0])
    assert found.between(0.0) == 0.0


def test_without_repeats_all_scatter_is_between_nights():
    found = means([1.0], [2.0], [4.0])
    assert math.isnan(found.within)
    assert found.between(1.5) == 1.5
    assert math.isnan(means([1.0, 2.0]).between(math.nan))
    assert math.isnan(means([], []).within)


@given(st.floats(-1e9, 1e9), st.lists(st.integers(1, 30), min_size=1, max_size=8))
def test_equal_repeats_are_exactly_their_mean(value, counts):
    found = means(*[[value] * k for k in counts])
    assert found.mean.tolist() == [value] * len(counts)
    assert not np.nan_to_num(found.scatter).any()


@given(
    st.lists(st.lists(st.floats(-100, 100), min_size=1, max_size=5), min_size=1, max_size=8),
    st.integers(0, 2**32 - 1),
)
def test_the_order_of_figures_does_not_matter(nights, seed):
    night = np.array([i for i, values in enumerate(nights) for _ in values], dtype=np.intp)
    value = np.array([v for values in nights for v in values])
    order = np.random.default_rng(seed).permutation(value.size)
    one = night_means(night, value, len(nights))
    other = night_means(night[order], value[order], len(nights))
    assert other.mean == pytest.approx(one.mean, abs=1e-9)
    assert np.nan_to_num(other.scatter) == pytest.approx(np.nan_to_num(one.scatter), abs=1e-6)
    assert one.mean == pytest.approx([np.mean(values) for values in nights], abs=1e-9)


@pytest.mark.parametrize(
    ("night", "value"), [([0, 1], [1.0]), ([0, 3], [1.0, 2.0]), ([-1, 0], [1.0, 2.0])]
)
def test_what_is_no_table_of_nights(night, value):
    with pytest.raises(ValueError, match=r"shapes differ|a figure of night"):
        night_means(np.array(night, dtype=np.intp), np.array(value), 2)
