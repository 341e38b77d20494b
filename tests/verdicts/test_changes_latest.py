from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.verdicts.changes import search
from hil.verdicts.changes_latest import SLACK, judge_latest, limit_for, run_length
from hil.verdicts.charts import cusum
from hil.verdicts.drift import SHIPPED
from hil.verdicts.samples import lower_bound

NIGHTS, MEASURES = 90, 50


def latest(data: np.ndarray, since: int = 0):
    rows = list(data.T)
    return judge_latest(rows, [since] * len(rows), [one.memory for one in search(rows)])


@pytest.mark.parametrize(("limit", "nights"), [(4.0, 168.0), (5.0, 465.0)])
def test_run_lengths_are_those_of_the_tables(limit, nights):
    # Montgomery, Statistical Quality Control, tabular CUSUM with k = 1/2 (from memory).
    assert run_length(limit) == pytest.approx(nights, rel=0.02)


def test_run_lengths_are_those_of_simulation():
    rng = np.random.default_rng(1)
    lengths = []
    for _ in range(150):
        found = cusum(rng.standard_normal(4000), 0.0, SLACK, 4.0).signal
        lengths.append(4000 if found is None else found + 1)
    mean, error = np.mean(lengths), np.std(lengths) / math.sqrt(len(lengths))
    assert mean == pytest.approx(run_length(4.0), abs=4.0 * error)


@given(st.floats(10.0, 1e7))
def test_the_limit_is_the_inverse_of_the_run_length(nights):
    assert run_length(limit_for(nights)) == pytest.approx(nights, rel=1e-4)


def test_no_such_chart():
    with pytest.raises(ValueError, match="no such chart"):
        run_length(0.0)
    with pytest.raises(ValueError, match="no such chart"):
        run_length(4.0, -0.5)
    with pytest.raises(ValueError, match="ten nights"):
        limit_for(9.0)


@pytest.mark.parametrize("kind", ["normal", "skewed", "rare faults"])
def test_healthy_nights_creep_away_as_rarely_as_promised(kind):
    rng = np.random.default_rng(6)
    looks = 60
    told = 0
    for _ in range(looks):
        shape = (int(rng.integers(30, 150)), MEASURES)
        data = {
            "normal": rng.standard_normal,
            "skewed": lambda size: rng.exponential(size=size),
            "rare faults": lambda size: (rng.random(size) < 0.03).astype(np.float64),
        }[kind](shape)
        told += any(one.creeping is not None or one.changed for one in latest(data))
    # A false alarm stands for a few nights; each detector may raise one at the stated share.
    assert lower_bound(told, looks, 0.999) <= 5.0 * SHIPPED.false_share


def test_a_small_change_adds_up():
    data = np.random.default_rng(2).standard_normal((NIGHTS, MEASURES))
    data[60:, 3] += 1.3
    data[60:, 5] -= 1.3
    found = latest(data)
    assert [i for i, one in enumerate(found) if one.creeping is not None] == [3, 5]
    assert found[3].creeping == pytest.approx(60, abs=6)
    assert not found[3].changed


def test_a_large_change_shows_after_three_nights():
    data = np.random.default_rng(3).standard_normal((NIGHTS, MEASURES))
    data[-3:, 3] += 8.0
    data[-1, 4] += 8.0
    found = latest(data)
    assert [i for i, one in enumerate(found) if one.changed] == [3]
    assert found[4].odd
    assert not found[4].changed
    assert found[3].p <= SHIPPED.false_share
    # What it is held against does not hold the nights that are judged.
    assert found[3].level == pytest.approx(0.0, abs=0.5)
    assert found[3].sigma == pytest.approx(1.0, abs=0.3)


def test_a_change_known_already_is_not_told_again():
    data = np.random.default_rng(4).standard_normal((NIGHTS, 5))
    data[45:, 2] += 2.5
    assert latest(data)[2].creeping is not None
    known = latest(data, since=45)[2]
    assert known.creeping is None
    assert known.level == pytest.approx(2.5, abs=0.5)


def test_a_change_that_came_back_is_not_of_tonight():
    data = np.random.default_rng(5).standard_normal((150, 5))
    data[40:60, 2] += 2.5
    assert latest(data[:60])[2].creeping is not None
    assert latest(data)[2].creeping is None


def test_a_night_that_resembles_the_one_before_is_not_creeping():
    rng = np.random.default_rng(7)
    told = 0
    for _ in range(40):
        noise = rng.standard_normal((120, 20))
        for night in range(1, 120):
            noise[night] = 0.5 * noise[night - 1] + math.sqrt(0.75) * noise[night]
        told += any(one.creeping is not None for one in latest(noise))
    assert lower_bound(told, 40, 0.999) <= 5.0 * SHIPPED.false_share


def test_missing_nights_are_not_judged():
    data = np.random.default_rng(1).standard_normal((NIGHTS, 4))
    data[-1, 0] = math.nan
    data[:, 1] = math.nan
    data[:80, 2] = math.nan
    found = latest(data)
    assert [one.judged for one in found] == [False, False, False, True]
    assert all(one.creeping is None and not one.changed for one in found[:3])
    assert math.isnan(found[1].level)
    assert math.isnan(found[0].p)


def test_series_of_all_lengths_are_judged_together():
    rng = np.random.default_rng(8)
    rows = [rng.standard_normal(n) for n in (0, 1, 2, 30, 400)]
    found = judge_latest(rows, [0] * 5, [0.0] * 5)
    assert [one.judged for one in found] == [False, False, False, True, True]
    assert judge_latest([], [], []) == []


def test_every_series_needs_its_first_night():
    with pytest.raises(ValueError, match="first nights"):
        judge_latest([[1.0]], [], [0.0])
