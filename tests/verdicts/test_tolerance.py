from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import beta, norm

from hil.verdicts.tolerance import (
    Sides,
    free_confidence,
    free_interval,
    free_size,
    howe_factor,
    normal_interval,
    one_sided_factor,
    one_sided_factor_approximate,
    two_sided_factor,
)

shares = st.tuples(st.floats(0.5, 0.995), st.floats(0.5, 0.995))
samples = st.lists(st.floats(-100, 100), min_size=3, max_size=30)


def test_factors_of_the_handbook():
    # NIST e-Handbook 7.2.6.3: n 43, coverage 0.90, confidence 0.99 (document and computed).
    assert howe_factor(43, 0.90, 0.99) == pytest.approx(2.217, abs=5e-4)
    assert one_sided_factor_approximate(43, 0.90, 0.99) == pytest.approx(1.8752, abs=5e-5)


def test_exact_factors_for_the_handbooks_case():
    # Computed: noncentral t, and a numerical integral checked by Monte Carlo.
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8740, abs=5e-4)
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.2228, abs=5e-4)


@pytest.mark.parametrize(
    ("count", "one_sided", "howe", "two_sided"),
    [
        (10, 2.911, 3.382, 3.393),
        (20, 2.396, 2.752, 2.760),
        (30, 2.220, 2.550, 2.555),
        (50, 2.065, 2.379, 2.382),
        (100, 1.927, 2.233, 2.234),
    ],
)  # coverage and confidence 95 % (computed)
def test_factors_95_95(count, one_sided, howe, two_sided):
    assert one_sided_factor(count, 0.95, 0.95) == pytest.approx(one_sided, abs=1e-3)
    assert howe_factor(count, 0.95, 0.95) == pytest.approx(howe, abs=1e-3)
    assert two_sided_factor(count, 0.95, 0.95) == pytest.approx(two_sided, abs=1e-3)


def test_exact_factor_for_two_values():
    # n 2, 95 %/95 %: 36.519, table of ISO 16269-6 (from memory).
    assert two_sided_factor(2, 0.95, 0.95) == pytest.approx(36.519, abs=1e-3)


@pytest.mark.parametrize(
    ("count", "sides"), [(5, Sides.BOTH), (10, Sides.UPPER), (40, Sides.LOWER)]
)
def test_confidence_by_simulation(count, sides):
    rng = np.random.default_rng(7)
    runs, coverage, confidence = 40_000, 0.90, 0.95
    data = rng.standard_normal((runs, count))
    mean, deviation = data.mean(axis=1), data.std(axis=1, ddof=1)
    both = sides is Sides.BOTH
    factor = (two_sided_factor if both else one_sided_factor)(count, coverage, confidence)
    above = norm.sf(mean + factor * deviation) if sides is not Sides.LOWER else 0.0
    below = norm.cdf(mean - factor * deviation) if sides is not Sides.UPPER else 0.0
    held = np.mean(1.0 - above - below >= coverage)
    assert held == pytest.approx(confidence, abs=4.0 * math.sqrt(0.95 * 0.05 / runs))


@settings(deadline=None, max_examples=25)
@given(st.integers(2, 500), shares)
def test_more_values_and_smaller_claims_take_smaller_factors(count, claim):
    coverage, confidence = claim
    for factor in (two_sided_factor, howe_factor):
        found = factor(count, coverage, confidence)
        assert factor(count + 1, coverage, confidence) < found
        assert factor(count, coverage - 0.01, confidence) < found
        assert factor(count, coverage, confidence - 0.01) < found
        assert found > norm.ppf(0.5 * (1.0 + coverage)) * 0.9
    one_sided = one_sided_factor(count, coverage, confidence)
    assert one_sided_factor(count, coverage - 0.01, confidence) < one_sided
    assert one_sided < two_sided_factor(count, coverage, confidence) + 1e-9


@pytest.mark.parametrize("sides", Sides)
def test_an_interval_takes_the_factor_of_its_sides(sides):
    """Values of mean 0 and deviation 1, so that its limits are the factors themselves."""
    count, values = 9, np.repeat([-1.0, 0.0, 1.0], [4, 1, 4])  # deviation: sqrt(8 / 8)
    found = normal_interval(values, 0.95, 0.95, sides)
    factor = (two_sided_factor if sides is Sides.BOTH else one_sided_factor)(count, 0.95, 0.95)
    assert found.low is None if sides is Sides.UPPER else found.low == pytest.approx(-factor)
    assert found.high is None if sides is Sides.LOWER else found.high == pytest.approx(factor)


@given(samples, st.floats(0.1, 1e3), st.floats(-1e3, 1e3), st.sampled_from(Sides))
def test_intervals_follow_scale_and_offset(values, scale, offset, sides):
    before = normal_interval(values, 0.9, 0.9, sides)
    after = normal_interval([scale * v + offset for v in values], 0.9, 0.9, sides)
    for a, b in ((before.low, after.low), (before.high, after.high)):
        assert (a is None) is (b is None)
        if a is not None:
            assert b == pytest.approx(scale * a + offset, rel=1e-6, abs=1e-6 * (1 + scale))


@given(samples)
def test_mirrored_values_have_mirrored_limits(values):
    upper = normal_interval(values, 0.95, 0.95, Sides.UPPER)
    lower = normal_interval([-value for value in values], 0.95, 0.95, Sides.LOWER)
    assert (upper.low, lower.high) == (None, None)
    assert upper.high == pytest.approx(-lower.low)


@pytest.mark.parametrize(
    ("coverage", "sides", "size"),
    [
        (0.95, Sides.UPPER, 59), (0.95, Sides.BOTH, 93), (0.99, Sides.LOWER, 299),
        (0.99, Sides.BOTH, 473), (0.90, Sides.BOTH, 46), (0.90, Sides.UPPER, 29),
    ],
)  # fmt: skip
def test_distribution_free_sizes_at_95_percent(coverage, sides, size):
    # Wilks 1941; the well-known sizes 59, 93, 299, 473 (from memory, and computed).
    assert free_size(coverage, 0.95, sides) == size
    assert free_confidence(size, coverage, sides) >= 0.95
    assert free_confidence(size - 1, coverage, sides) < 0.95


@given(st.integers(3, 200), st.floats(0.1, 0.99), st.integers(0, 3))
def test_free_confidence_is_that_of_the_beta_distribution(count, coverage, dropped):
    for sides, per_side in ((Sides.BOTH, 2), (Sides.UPPER, 1)):
        gaps = count + 1 - per_side * (dropped + 1)
        if gaps >= 1:
            expected = beta.sf(coverage, gaps, count - gaps + 1)
            found = free_confidence(count, coverage, sides, dropped)
            assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("sides", list(Sides))
def test_free_interval_holds_any_distribution(sides):
    rng = np.random.default_rng(11)
    held, runs, count = 0, 1500, 120
    for _ in range(runs):
        found = free_interval(rng.exponential(size=count), 0.95, 0.90, sides)
        above = math.exp(-found.high) if found.high is not None else 0.0
        below = 1.0 - math.exp(-found.low) if found.low is not None else 0.0
        held += 1.0 - above - below >= 0.95
        assert found.confidence >= 0.90
    expected = found.confidence
    assert held / runs == pytest.approx(expected, abs=4 * math.sqrt(0.1 * 0.9 / runs))


def test_free_interval_leaves_out_what_confidence_allows():
    values = list(range(1000))
    found = free_interval(values, 0.95, 0.95, Sides.BOTH)
    dropped = int(found.low)
    assert dropped > 0
    assert found.high == 999 - dropped
    assert free_confidence(1000, 0.95, Sides.BOTH, dropped + 1) < 0.95
    assert f"{dropped} outermost" in found.method


def test_too_few_values_for_a_free_interval_is_none():
    assert free_interval(range(58), 0.95, 0.95, Sides.UPPER) is None
    found = free_interval(range(59), 0.95, 0.95, Sides.UPPER)
    assert (found.low, found.high, found.method) == (None, 58.0, "distribution-free")


def test_equal_values_have_equal_limits():
    found = normal_interval([5.0] * 4, 0.9, 0.9, Sides.BOTH)
    assert (found.low, found.high) == (5.0, 5.0)


@pytest.mark.parametrize("factor", [one_sided_factor, two_sided_factor, howe_factor])
@pytest.mark.parametrize("wrong", [(1, 0.9, 0.9), (5, 1.0, 0.9), (5, 0.9, 0.0)])
def test_impossible_claims(factor, wrong):
    with pytest.raises(ValueError, match=r"two values|between 0 and 1"):
        factor(*wrong)


def test_where_the_approximation_does_not_hold():
    with pytest.raises(ValueError, match="does not hold"):
        one_sided_factor_approximate(2, 0.9, 0.99)


def test_nothing_left_and_no_end():
    with pytest.raises(ValueError, match="leave no interval"):
        free_confidence(2, 0.9, Sides.BOTH, 1)
    with pytest.raises(ValueError, match="more than"):
        free_size(1.0 - 1e-9, 0.95, Sides.UPPER)
    with pytest.raises(ValueError, match="finite"):
        normal_interval([1.0, math.nan], 0.9, 0.9, Sides.BOTH)
