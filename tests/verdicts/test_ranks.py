from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu

from hil.verdicts.ranks import mann_whitney, mann_whitney_tail, shift_interval, wins

distinct = st.lists(st.integers(-10_000, 10_000), min_size=4, max_size=14, unique=True)
coarse = st.lists(st.integers(0, 3), min_size=4, max_size=14)


def parts(values):
    half = len(values) // 2
    return np.array(values[:half], dtype=float), np.array(values[half:], dtype=float)


def test_the_example_of_scipys_documentation():
    # scipy mannwhitneyu docstring: U 17, exact two-sided p 0.1111 (document and computed).
    u, p = mann_whitney([19, 22, 16, 29, 24], [20, 11, 17, 12])
    assert u == 17
    assert p == pytest.approx(1.0 / 9.0, abs=1e-7)


@given(distinct)
def test_against_scipy_without_ties(values):
    first, second = parts(values)
    expected = mannwhitneyu(first, second, method="exact")
    u, p = mann_whitney(first, second)
    assert u == expected.statistic
    assert p == pytest.approx(expected.pvalue, abs=1e-12)


def test_the_tail_by_counting_every_arrangement():
    first, second = np.array([5.0, 7.0, 8.0]), np.array([1.0, 2.0, 6.0, 3.0])
    every = np.concatenate([first, second])
    observed, _ties = wins(first, second)
    reached = [
        wins(every[list(chosen)], np.delete(every, chosen))[0] >= observed
        for chosen in itertools.combinations(range(7), 3)
    ]
    assert mann_whitney_tail(first, second) == pytest.approx(sum(reached) / math.comb(7, 3))


@given(coarse, st.integers(0, 2**32 - 1))
def test_ties_make_p_larger_never_smaller(values, seed):
    first, second = parts(values)
    _u, p = mann_whitney(first, second)
    jitter = np.random.default_rng(seed).uniform(0.0, 0.5, len(values))
    _u, broken = mann_whitney(*parts(list(np.array(values) + jitter)))
    assert p >= broken - 1e-12


@given(distinct)
def test_the_two_tails_belong_together(values):
    first, second = parts(values)
    assert mann_whitney_tail(first, second) + mann_whitney_tail(second, first) >= 1.0 - 1e-12
    u, p = mann_whitney(first, second)
    v, q = mann_whitney(second, first)
    assert (u + v, p) == (first.size * second.size, q)


@given(distinct, st.integers(-500, 500))
def test_the_shift_follows_a_shift(values, by):
    first, second = parts(values)
    before, after = shift_interval(first, second, 0.9), shift_interval(first, second + by, 0.9)
    assert after == pytest.approx(tuple(value + by for value in before))


@given(distinct)
def test_the_interval_is_the_test_turned_round(values):
    first, second = parts(values)
    _middle, low, high = shift_interval(first, second, 0.9)
    if math.isinf(low):
        return
    for inside in (low + 0.25, high - 0.25):
        if low < inside < high:
            assert mann_whitney(first, second - inside)[1] > 0.1 - 1e-9
    assert mann_whitney(first, second - (low - 0.25))[1] <= 0.1 + 1e-9
    assert mann_whitney(first, second - (high + 0.25))[1] <= 0.1 + 1e-9


def test_three_against_three_have_no_interval_at_95_percent():
    # The smallest possible two-sided p of 3 and 3 values is 2/20.
    first, second = np.array([1.0, 2.0, 3.0]), np.array([11.0, 12.0, 13.0])
    assert shift_interval(first, second, 0.95) == (10.0, -math.inf, math.inf)
    assert mann_whitney(first, second)[1] == pytest.approx(0.1)


def test_the_interval_holds_the_shift_as_often_as_stated():
    rng = np.random.default_rng(2)
    held, runs = 0, 2000
    for _ in range(runs):
        first, second = rng.exponential(size=7), rng.exponential(size=8) + 1.0
        _middle, low, high = shift_interval(first, second, 0.9)
        held += low <= 1.0 <= high
    assert 0.9 - 4 * math.sqrt(0.09 / runs) <= held / runs <= 0.93


@pytest.mark.parametrize("wrong", [([], [1.0]), ([1.0], [math.nan])])
def test_no_sample(wrong):
    with pytest.raises(ValueError, match=r"at least|finite"):
        mann_whitney(*wrong)
