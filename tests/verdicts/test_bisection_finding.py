"""What a search came to: which runs count as before and after, the change, the price."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ttest_ind

from hil.verdicts.bisection_finding import Outcome, conclude

NAN = float("nan")
RUNS = {0: [1.0, 1.2, 1.4], 10: [3.0, 3.2, 3.1], 4: [1.1], 5: [2.0, 2.2], 6: [3.3, NAN]}


def test_runs_are_parted_at_the_place() -> None:
    found = conclude(Outcome.FOUND, (6, 6, 0.98), RUNS, 10, rate=False)
    assert (found.before.runs, found.before.values) == (6, 6)
    assert (found.after.runs, found.after.values) == (5, 4)
    assert found.before.mean == pytest.approx(np.mean([1.0, 1.2, 1.4, 1.1, 2.0, 2.2]))
    assert found.change == pytest.approx(3.15 - found.before.mean)
    assert (found.runs, found.builds, found.probability) == (11, 5, 0.98)


def test_runs_inside_a_range_belong_to_neither_side() -> None:
    found = conclude(Outcome.FOUND, (5, 7, 0.98), RUNS, 10, rate=False)
    assert (found.before.runs, found.after.runs) == (4, 3)


def test_without_a_place_only_the_ends_count() -> None:
    found = conclude(Outcome.NO_CHANGE, None, RUNS, 10, rate=False)
    assert (found.before.runs, found.after.runs) == (3, 3)
    assert (found.first, found.last) == (0, 0)


def test_the_interval_is_welch_s() -> None:
    found = conclude(Outcome.NO_CHANGE, None, RUNS, 10, rate=False)
    # Against scipy's own Welch test, second less first.
    known = ttest_ind(RUNS[10], RUNS[0], equal_var=False).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((known.low, known.high), rel=1e-6)


def test_a_plain_search_tries_each_build_up_to_the_place() -> None:
    # Three builds inside took 5 runs; six builds up to the place, and 6 runs of the ends.
    found = conclude(Outcome.FOUND, (6, 6, 0.98), RUNS, 10, rate=False)
    assert found.linear == pytest.approx(6 + 6 * 5 / 3)
    ends = {0: [1.0] * 4, 10: [2.0] * 4}
    assert conclude(Outcome.FOUND, (10, 10, 1.0), ends, 10, rate=False).linear == 8 + 9


def test_shares_and_their_difference() -> None:
    runs = {0: [1.0] * 10, 8: [0.0] * 9 + [1.0]}
    found = conclude(Outcome.FOUND, (8, 8, 1.0), runs, 8, rate=True)
    assert found.change == pytest.approx(-0.9)
    assert found.low < -0.9 < found.high < 0.0
    # Clopper-Pearson, 95 %: 10 of 10 is 0.6915 to 1; 1 of 10 is 0.0025 to 0.4450.
    assert (found.before.low, found.before.high) == pytest.approx((0.6915, 1.0), abs=1e-4)
    assert (found.after.low, found.after.high) == pytest.approx((0.0025, 0.4450), abs=1e-4)


@pytest.mark.parametrize("rate", [True, False])
def test_nothing_known_is_no_number(rate: bool) -> None:
    found = conclude(Outcome.NO_END, None, {}, 3, rate=rate)
    assert math.isnan(found.change)
    assert math.isnan(found.before.mean)
    assert (found.before.low, found.before.high) == (0.0, 1.0)
    assert found.runs == 0


@given(
    st.lists(st.sampled_from([0.0, 1.0]), min_size=1, max_size=30),
    st.lists(st.sampled_from([0.0, 1.0]), min_size=1, max_size=30),
)
def test_a_difference_of_shares_lies_within_its_interval(first, second) -> None:
    found = conclude(Outcome.FOUND, (1, 1, 1.0), {0: first, 1: second}, 1, rate=True)
    assert -1.0 <= found.low <= found.change <= found.high <= 1.0
