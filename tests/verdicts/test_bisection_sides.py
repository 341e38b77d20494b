"""Cells that values are sorted into, and the chances that follow from how many fell where."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.verdicts.bisection_sides import INTERVALS, Cells, Side

NAN = float("nan")
VALUES = st.lists(st.floats(-1e6, 1e6) | st.just(NAN), max_size=40)


def test_values_are_parted_evenly() -> None:
    cells = Cells.of([8.0, 1.0, 2.0, 7.0, 3.0, 4.0, 5.0, 6.0], rate=False)
    assert cells.edges == pytest.approx([2.5, 4.5, 6.5])
    assert [cells.of_run(v) for v in (0.0, 2.5, 4.4, 100.0, NAN)] == [0, 1, 1, 3, 4]
    assert cells.of_runs([0.0, 2.5, 4.4, 100.0, NAN]).tolist() == [0, 1, 1, 3, 4]
    assert cells.of_runs([]).tolist() == []
    assert cells.count == 5


def test_two_different_values_make_two_intervals() -> None:
    cells = Cells.of([1.0, 1.0, 1.0, 3.0, 3.0], rate=False)
    assert cells.edges == pytest.approx([2.0])


@pytest.mark.parametrize("values", [[], [NAN], [4.0, 4.0, 4.0]])
def test_without_different_values_there_is_one_interval(values: list[float]) -> None:
    cells = Cells.of(values, rate=False)
    assert cells.count == 2
    assert cells.of_run(4.0) == 0
    assert cells.of_run(NAN) == 1


def test_a_rate_is_its_own_cell() -> None:
    cells = Cells.of([0.0, 1.0], rate=True)
    assert (cells.count, cells.of_run(0.0), cells.of_run(1.0)) == (2, 0, 1)


@given(VALUES, st.floats(-1e7, 1e7) | st.just(NAN))
def test_every_value_has_a_cell(values: list[float], value: float) -> None:
    cells = Cells.of(values, rate=False)
    assert 0 <= cells.of_run(value) < cells.count <= INTERVALS + 1
    assert (cells.of_run(value) == cells.count - 1) is math.isnan(value)
    known = [v for v in values if not math.isnan(v)]
    # No interval is empty, so no forecast rests on nothing.
    found = {cells.of_run(v) for v in known}
    assert len(found) == cells.count - 1 or not known


@given(VALUES)
def test_cells_keep_the_order(values: list[float]) -> None:
    cells = Cells.of(values, rate=False)
    known = sorted(v for v in values if not math.isnan(v))
    sorted_cells = [cells.of_run(v) for v in known]
    assert sorted_cells == sorted(sorted_cells)


def test_chances_follow_the_counts() -> None:
    cells = Cells(np.array([0.0, 1.0]))
    side = Side.empty(2, cells)
    assert side.odds[0] == pytest.approx([0.25] * 4)
    side = side.with_run(2, np.array([1.0, 0.0])).with_run(2, np.array([1.0, 0.5]))
    assert side.odds[0] == pytest.approx([0.25 / 3, 0.25 / 3, 2.25 / 3, 0.25 / 3])
    assert side.odds[1] == pytest.approx([0.25 / 1.5, 0.25 / 1.5, 0.75 / 1.5, 0.25 / 1.5])


@given(st.lists(st.tuples(st.integers(0, 3), st.floats(0.0, 1.0)), max_size=30))
def test_chances_add_up_to_one(runs: list[tuple[int, float]]) -> None:
    side = Side.empty(1, Cells(np.array([0.0, 1.0])))
    for cell, weight in runs:
        side = side.with_run(cell, np.array([weight]))
    assert side.odds.sum() == pytest.approx(1.0)
    assert np.all(side.odds > 0.0)
