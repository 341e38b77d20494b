from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm, rankdata

from hil.verdicts.changes_chance import (
    MOST_MEMORY,
    as_normal,
    as_split,
    chance_of_split,
    clear_enough,
    inflation,
    memory,
    normal_scores,
    ranks,
    running_scores,
)
from hil.verdicts.samples import interval

SIDE = 3


def clearest(nights: np.ndarray) -> np.ndarray:
    """Largest split statistic of each row."""
    n = nights.shape[1]
    nights = nights - nights.mean(axis=1, keepdims=True)
    where = np.arange(1, n)
    split = np.abs(np.cumsum(nights, axis=1)[:, :-1]) / np.sqrt(where * (n - where) / n)
    return split[:, SIDE - 1 : n - SIDE].max(axis=1)


@pytest.mark.parametrize("n", [18, 60, 200])
@pytest.mark.parametrize("probability", [0.05, 0.01])
def test_the_tail_is_that_of_normal_nights(n, probability):
    rng = np.random.default_rng(n)
    runs = 20_000
    beyond = clearest(rng.standard_normal((runs, n))) >= clear_enough(probability, n, SIDE)
    low, high = interval(int(beyond.sum()), runs, 0.999)
    # An approximation: it may be a tenth out.
    assert low <= 1.1 * probability
    assert high >= 0.9 * probability


@pytest.mark.parametrize("n", [20, 40, 120])
@pytest.mark.parametrize("probability", [0.05, 0.01, 0.002])
def test_ranks_have_that_tail_too_whatever_the_distribution(n, probability):
    rng = np.random.default_rng(n)
    runs = 20_000
    # Any continuous distribution gives the same ranks: a permutation is all there is to draw.
    scores = rng.permuted(np.tile(normal_scores(np.arange(float(n))), (runs, 1)), axis=1)
    beyond = as_normal(clearest(scores), n) >= clear_enough(probability, n, SIDE)
    low, _ = interval(int(beyond.sum()), runs, 0.999)
    assert low <= 1.2 * probability
    _, high = interval(int(beyond.sum()), runs, 0.999)
    assert high >= 0.5 * probability


def test_the_tail_falls_and_ends():
    assert chance_of_split(0.0, 100, SIDE) == 1.0
    values = [chance_of_split(b, 100, SIDE) for b in np.linspace(2.0, 10.0, 30)]
    assert values == sorted(values, reverse=True)
    assert chance_of_split(3.0, 100, SIDE) < chance_of_split(3.0, 300, SIDE)
    assert chance_of_split(9.0, 5, SIDE) == 1.0  # no room for a split


@pytest.mark.parametrize("wrong", [-1.0, math.nan])
def test_no_such_split(wrong):
    with pytest.raises(ValueError, match="no such split"):
        chance_of_split(wrong, 100, SIDE)


@pytest.mark.parametrize("wrong", [0.0, 1.0, -0.1])
def test_no_such_probability(wrong):
    with pytest.raises(ValueError, match="no such probability"):
        clear_enough(wrong, 100, SIDE)


@settings(deadline=None)
@given(st.floats(1e-8, 0.5), st.integers(12, 400))
def test_clear_enough_is_the_inverse(probability, n):
    b = clear_enough(probability, n, SIDE)
    if b > 0.0:
        assert chance_of_split(b, n, SIDE) == pytest.approx(probability, rel=1e-5)


@given(st.floats(0.1, 6.0), st.integers(20, 400))
def test_as_split_is_the_inverse_of_as_normal(b, n):
    split = as_split(b, n)
    assert split <= math.sqrt(n - 1)
    assert float(as_normal(np.array(split), n)) == pytest.approx(b, rel=1e-6)


@given(st.lists(st.integers(-50, 50), min_size=2, max_size=60))
def test_scores_know_the_order_only(values):
    y = np.array(values, dtype=np.float64)
    scores = normal_scores(y)
    assert scores.mean() == pytest.approx(0.0, abs=1e-9)
    assert np.var(scores, ddof=1) <= 1.0 + 1e-9
    assert normal_scores(np.exp(y / 10.0)) == pytest.approx(scores)
    # Without equal ones: mirrored values have mirrored scores.
    assert normal_scores(-y) == pytest.approx(-scores, abs=1e-9)
    if len(set(values)) == len(values):
        assert np.var(scores, ddof=1) == pytest.approx(1.0)


def test_scores_of_what_hardly_varies_stay_small():
    y = np.zeros(100)
    y[40] = 1.0
    scores = normal_scores(y)
    assert scores[40] < 2.6
    assert np.var(scores) < 0.1
    assert not normal_scores(np.full(5, 7.0)).any()
    assert not normal_scores(np.array([3.0])).any()


def test_running_scores_look_back_only():
    y = np.random.default_rng(1).standard_normal(40)
    scores = running_scores(y)
    assert scores[0] == 0.0
    assert running_scores(y[:25]) == pytest.approx(scores[:25])
    assert running_scores(np.append(y, 99.0))[-1] == pytest.approx(norm.ppf(40.5 / 41))
    assert running_scores(np.zeros(8)) == pytest.approx(np.zeros(8))


def test_running_scores_are_independent_normal_values():
    rng = np.random.default_rng(2)
    scores = np.array([running_scores(rng.exponential(size=200)) for _ in range(200)])[:, 20:]
    assert scores.mean() == pytest.approx(0.0, abs=0.02)
    assert scores.std() == pytest.approx(1.0, abs=0.03)
    assert np.corrcoef(scores[:, 1:].ravel(), scores[:, :-1].ravel())[0, 1] == pytest.approx(
        0.0, abs=0.02
    )


@pytest.mark.parametrize("r", [0.0, 0.3, 0.6, 0.8])
@pytest.mark.parametrize("step", [0.0, 4.0])
def test_memory_is_not_taken_for_a_step_nor_a_step_for_memory(r, step):
    rng = np.random.default_rng(3)
    found = []
    for _ in range(60):
        noise = rng.standard_normal(360)
        y = noise.copy()
        for i in range(1, y.size):
            y[i] = r * y[i - 1] + math.sqrt(1.0 - r * r) * noise[i]
        y[200:] += step
        found.append(memory(normal_scores(y)))
    assert np.mean(found) == pytest.approx(r, abs=0.08)
    assert max(found) <= MOST_MEMORY


def test_memory_of_next_to_nothing():
    assert memory(np.zeros(3)) == 0.0
    assert memory(np.zeros(50)) == 0.0


def test_memory_widens_a_mean():
    assert inflation(0.0) == 1.0
    assert inflation(-0.3) == 1.0
    assert inflation(0.5) == pytest.approx(3.0)


@given(st.lists(st.one_of(st.floats(-1e9, 1e9), st.integers(-2, 2).map(float)), max_size=60))
def test_equal_nights_share_their_ranks_as_a_library_has_it(nights):
    given_nights = np.array(nights, dtype=np.float64)
    assert ranks(given_nights).tolist() == rankdata(given_nights).tolist()
