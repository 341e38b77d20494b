from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from hil.verdicts import changes_chance as chance
from hil.verdicts.changes_many import (
    _TOGETHER,
    alone,
    clearest_stretch,
    last_sums,
    running_scores,
)
from hil.verdicts.charts import cusum

#: Coarse values make ties, fine ones none; a chunk and a few more series of many lengths.
LENGTHS = st.lists(st.integers(0, 40), min_size=0, max_size=_TOGETHER + 6)
GRAINS = st.sampled_from([0.0, 0.5, 3.0])


def rows_of(lengths: list[int], grain: float, seed: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    rows = [rng.standard_normal(n) + (rng.random() < 0.3) * np.linspace(0, 4, n) for n in lengths]
    return [np.round(row / grain) * grain for row in rows] if grain else rows


def there_and_back(scores: np.ndarray, side: int) -> float:
    """The definition, stretch by stretch."""
    n = scores.size
    sums = np.concatenate(([0.0], np.cumsum(scores)))
    # Squared as arrays are, by a product: the power of one number may differ in its last bit.
    squares = [
        float(np.max(np.square(sums[size:] - sums[:-size]))) / (float(size) * (n - float(size)) / n)
        for size in range(side, n - side + 1)
    ]
    return math.sqrt(max(squares, default=0.0))


@settings(deadline=None, max_examples=60)
@given(LENGTHS, GRAINS, st.integers(0, 2**32), st.integers(1, 4))
@example([0, 27, 40, 19], 0.0, 0, 1)
def test_the_clearest_stretch_is_that_of_each_series_alone(lengths, grain, seed, side):
    scores = [chance.normal_scores(row) for row in rows_of(lengths, grain, seed)]
    found = clearest_stretch(scores, side, [0.0] * len(scores))
    assert found == [there_and_back(one, side) for one in scores]


@settings(deadline=None, max_examples=60)
@given(LENGTHS, GRAINS, st.integers(0, 2**32), st.floats(0.0, 4.0))
def test_what_a_floor_leaves_out_is_below_it(lengths, grain, seed, floor):
    scores = [chance.normal_scores(row) for row in rows_of(lengths, grain, seed)]
    found = clearest_stretch(scores, 3, [floor] * len(scores))
    for one, clear in zip(scores, found, strict=True):
        whole = there_and_back(one, 3)
        assert clear == (whole if whole > floor else floor)


def test_a_floor_for_each_series():
    with pytest.raises(ValueError, match="2 series, but 1 floors"):
        clearest_stretch([np.zeros(9), np.zeros(9)], 3, [0.0])


@settings(deadline=None, max_examples=60)
@given(LENGTHS, GRAINS, st.integers(0, 2**32))
def test_running_scores_are_those_of_each_series_alone(lengths, grain, seed):
    rows = rows_of(lengths, grain, seed)
    for row, found in zip(rows, running_scores(rows), strict=True):
        assert np.array_equal(found, chance.running_scores(row))


def test_alone_is_all_at_once():
    seen = []
    assert alone(lambda some: seen.append(len(some)) or [2 * n for n in some], iter([3, 1])) == [
        6,
        2,
    ]
    assert seen == [2]


def test_running_scores_of_more_nights_than_small_numbers_count():
    y = np.random.default_rng(4).standard_normal(17_000)
    (found,) = running_scores([y])
    # Of the last night alone the rank is a count.
    rank = int(np.sum(y <= y[-1]))
    (again,) = running_scores([y[:300]])
    assert np.array_equal(found[:300], again)
    assert found[-1] == pytest.approx(chance.ndtri((rank - 0.5) / y.size))


@settings(deadline=None, max_examples=60)
@given(LENGTHS, st.integers(0, 2**32), st.sampled_from([0.0, 0.5, 1.0]))
def test_sums_are_those_of_each_series_alone(lengths, seed, slack):
    rows = rows_of(lengths, 0.0, seed)
    sums, zero = last_sums(rows, slack)
    assert sums.shape == zero.shape == (2, len(rows))
    for column, row in enumerate(rows):
        if not row.size:
            assert (*sums[:, column], *zero[:, column]) == (0.0, 0.0, -1, -1)
            continue
        alone = cusum(row, 0.0, slack, 5.0)
        for side, whole in enumerate((alone.high, alone.low)):
            still = np.flatnonzero(whole == 0.0)
            assert sums[side, column] == whole[-1]
            assert zero[side, column] == (still[-1] if still.size else -1)
