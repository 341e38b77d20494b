from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruptures.detection import KernelCPD, Pelt

from hil.verdicts.changes_cheapest import cheapest


def _cost(y: np.ndarray, at: list[int], price: float) -> float:
    edges = [0, *at, y.size]
    squares = sum(float(np.sum((y[a:b] - y[a:b].mean()) ** 2)) for a, b in pairwise(edges))
    return squares + price * len(at)


def _least_cost(y: np.ndarray, price: float, side: int) -> float:
    """Smallest sum of squares plus price a step, by trying all, one night after the other."""
    n = y.size

    def cost(a: int, b: int) -> float:
        return float(np.sum((y[a:b] - y[a:b].mean()) ** 2))

    best = [math.inf] * (n + 1)
    best[0] = -price
    for end in range(side, n + 1):
        best[end] = min(
            best[start] + price + cost(start, end)
            for start in range(end - side + 1)
            if math.isfinite(best[start])
        )
    return best[n]


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.lists(st.floats(-3, 3), min_size=8, max_size=40), min_size=1, max_size=5),
    st.floats(0.5, 12.0),
    st.sampled_from([1, 3]),
)
def test_the_search_is_exact_for_each_of_many_series_of_any_length(values, price, side):
    rows = [np.array(one) for one in values]
    prices = [price + n for n in range(len(rows))]
    for y, own, at in zip(rows, prices, cheapest(rows, prices, side), strict=True):
        assert all(b - a >= side for a, b in pairwise([0, *at, y.size]))
        assert _cost(y, at, own) == pytest.approx(_least_cost(y, own, side), abs=1e-6)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(2, 200), st.floats(1.0, 30.0))
def test_steps_are_those_of_a_library(seed, nights, price):
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(nights) + 2.0 * (rng.random() < 0.5) * (np.arange(nights) > nights / 3)
    # With a side of one night its early leaving out is exact.
    plain = KernelCPD(kernel="linear", min_size=1, jump=1).fit(y[:, None]).predict(pen=price)
    (at,) = cheapest([y], [price], 1)
    assert at == [int(place) for place in plain[:-1]]


def test_two_steps_are_those_of_a_plain_search():
    rng = np.random.default_rng(7)
    y = rng.standard_normal(120)
    y[40:70] += 2.0
    plain = Pelt(model="l2", min_size=3, jump=1).fit(y).predict(pen=14.0)
    assert cheapest([y], [14.0], 3) == [plain[:-1]]
    assert len(plain) == 3


def test_series_beside_each_other_do_not_meet():
    rng = np.random.default_rng(3)
    rows = [rng.standard_normal(60) + 3.0 * (np.arange(60) >= k % 50) for k in range(150)]
    alone = [cheapest([row], [9.0], 3)[0] for row in rows]
    assert cheapest(rows, [9.0] * len(rows), 3) == alone
    assert cheapest([], [], 3) == []


def test_fewer_nights_than_two_levels_need_have_no_step():
    for nights in range(6):
        assert cheapest([np.arange(float(nights))], [0.01], 3) == [[]]
    assert cheapest([np.array([0.0, 0.0, 0.0, 9.0, 9.0, 9.0])], [0.01], 3) == [[3]]
