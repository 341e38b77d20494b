"""Combination, expansion and conformance probability against published examples."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.budget import Contribution, Shape
from hil.verdicts import uncertainty as unc

finite = st.floats(-1e6, 1e6)
positive = st.floats(1e-6, 1e6)


def test_end_gauge_combined():
    # JCGM 100:2008, H.1 (found and computed): contributions in nm; 32 nm printed.
    assert unc.combine([5.8, 3.9, 6.7]) == pytest.approx(9.7, abs=0.05)
    assert unc.combine([25, 9.7, 2.9, 16.6]) == pytest.approx(31.671, abs=1e-3)
    # H.1.7 with the second-order terms: 34 nm (computed, the place from memory).
    assert unc.combine([31.671, 11.89, 1.74]) == pytest.approx(33.874, abs=5e-3)


def test_end_gauge_effective_freedom():
    # JCGM 100:2008, H.1 (found and computed): 16.7 effective degrees of freedom, 16 used.
    found = unc.effective_freedom([(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)])
    assert found == pytest.approx(16.75, abs=0.05)
    assert math.floor(found) == 16


def test_end_gauge_expanded():
    # JCGM 100:2008, H.1: t99(16) = 2.92, U = 93 nm; t95(16) = 2.12.
    factor = unc.coverage_factor(0.99, 16.75)
    assert factor == pytest.approx(2.920782, abs=1e-6)
    assert unc.expanded(32.0, factor) == pytest.approx(93.4, abs=0.1)
    assert unc.coverage_factor(0.95, 16) == pytest.approx(2.1199, abs=1e-4)


@pytest.mark.parametrize(
    ("freedom", "at_95", "at_99"),
    [
        (1, 12.71, 63.66),
        (2, 4.30, 9.92),
        (5, 2.57, 4.03),
        (10, 2.23, 3.17),
        (16, 2.12, 2.92),
        (20, 2.09, 2.85),
        (50, 2.01, 2.68),
    ],
)  # JCGM 100:2008, table G.2 (from memory; computed)
def test_student_factors(freedom, at_95, at_99):
    assert unc.coverage_factor(0.95, freedom) == pytest.approx(at_95, abs=0.005)
    assert unc.coverage_factor(0.99, freedom) == pytest.approx(at_99, abs=0.005)


def test_factor_without_limit_of_freedom_is_normal():
    assert unc.coverage_factor(0.9545) == pytest.approx(2.0, abs=1e-3)


@pytest.mark.parametrize(
    ("distribution", "share"),
    [("rectangular", 0.577350), ("triangular", 0.408248), ("u-shaped", 0.707107)],
)  # JCGM 100:2008, 4.3.7 and 4.3.9 (from memory; computed)
def test_divisors(distribution, share):
    assert unc.from_half_width(1.0, distribution) == pytest.approx(share, abs=1e-6)


def test_conformance_upper_limit():
    # JCGM 106:2012, clause 7, diode example (numbers computed, the place from memory).
    assert unc.conformance(-5.47, 0.05, None, -5.40) == pytest.approx(0.919243, abs=1e-6)


def test_conformance_two_sided():
    # JCGM 106:2012, clause 7, motor oil example (numbers computed, the place from memory).
    assert unc.conformance(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.662630, abs=1e-6)


@pytest.mark.parametrize(
    ("share", "probability"),
    [(0, 0.5), (0.5, 0.841345), (0.8225, 0.950015), (1, 0.977250), (1.5, 0.998650)],
)  # JCGM 106:2012, 8.3: a value at the acceptance limit conforms with Phi(2 r) (computed)
def test_guard_band(share, probability):
    upper = unc.acceptance_limit(10.0, 0.3, share, upper=True)
    lower = unc.acceptance_limit(10.0, 0.3, share, upper=False)
    assert unc.conformance(upper, 0.3, None, 10.0) == pytest.approx(probability, abs=1e-6)
    assert unc.conformance(lower, 0.3, 10.0, None) == pytest.approx(probability, abs=1e-6)


def test_capability_index():
    # JCGM 106:2012, 7.6 (computed, the place from memory).
    assert unc.capability_index(0.0, 0.4, 0.04) == pytest.approx(2.5)
    assert unc.capability_index(10.0, 10.4, 0.04) == pytest.approx(2.5)


def test_without_uncertainty_it_is_certain():
    assert unc.conformance(5.0, 0.0, 5.0, 6.0) == 1.0
    assert unc.conformance(6.1, 0.0, 5.0, 6.0) == 0.0


@given(value=finite, uncertainty=positive, low=finite, width=st.floats(0, 1e6))
def test_conformance_is_a_probability(value, uncertainty, low, width):
    both = unc.conformance(value, uncertainty, low, low + width)
    assert 0.0 <= both <= 1.0
    assert both <= unc.conformance(value, uncertainty, low, None) + 1e-12
    assert both <= unc.conformance(value, uncertainty, None, low + width) + 1e-12


@given(st.lists(st.floats(0, 1e6), max_size=8))
def test_combination_lies_between_largest_and_sum(parts):
    found = unc.combine(parts)
    assert max(parts, default=0.0) <= found * (1 + 1e-12)
    assert found <= sum(parts) * (1 + 1e-12)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: unc.combine([1.0, -1.0]), "not negative"),
        (lambda: unc.combine([math.nan]), "finite"),
        (lambda: unc.effective_freedom([(1.0, 0.0)]), "positive"),
        (lambda: unc.coverage_factor(1.0, 5), "coverage factor"),
        (lambda: unc.coverage_factor(0.95, 0.5), "coverage factor"),
        (lambda: unc.from_half_width(-1.0), "half-width"),
        (lambda: unc.from_half_width(1.0, "gaussian"), "gaussian"),
        (lambda: unc.conformance(1.0, -1.0, 0.0, None), "no probability"),
        (lambda: unc.conformance(math.nan, 1.0, 0.0, None), "no probability"),
        (lambda: unc.capability_index(0.0, 1.0, 0.0), "above zero"),
    ],
    ids=[str(number) for number in range(10)],
)
def test_nonsense_is_refused(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def test_exact_contributions_have_no_freedom_to_lose():
    assert unc.effective_freedom([(0.0, 3.0)]) == math.inf
    assert unc.effective_freedom([(1.0, math.inf)]) == math.inf


LINE = {"normal": Shape.NORMAL, "rect": Shape.RECTANGULAR, "tri": Shape.TRIANGULAR}


@pytest.mark.parametrize(
    ("parts", "factor"),
    [
        ([("normal", 1.0)], 1.959964),
        ([("rect", 1.0)], 0.95 * math.sqrt(3.0)),
        ([("rect", 1.0), ("rect", 1.0)], math.sqrt(6.0) * (1.0 - math.sqrt(0.05))),
        ([("tri", 1.0)], math.sqrt(6.0) * (1.0 - math.sqrt(0.05))),
        ([("normal", 1.0), ("rect", 1e-6)], 1.959964),
    ],
)
def test_factor_of_closed_forms(parts, factor):
    lines = [Contribution("", u, LINE[shape]) for shape, u in parts]
    assert unc.interval_factor(lines) == pytest.approx(factor, abs=3e-3)


@settings(deadline=None, max_examples=30)
@given(
    st.lists(st.tuples(st.sampled_from(list(Shape)), st.floats(0.05, 5.0)), min_size=1, max_size=6),
    st.sampled_from([0.9, 0.95, 0.99]),
)
def test_factor_against_drawing(parts, confidence):
    """JCGM 101:2008, 5.2: inversion and drawing give the same interval."""
    rng = np.random.default_rng(3)
    n = 100_000
    total = np.zeros(n)
    for shape, u in parts:
        width = u * shape.divisor
        total += {
            Shape.NORMAL: lambda w: w * rng.standard_normal(n),
            Shape.RECTANGULAR: lambda w: rng.uniform(-w, w, n),
            Shape.TRIANGULAR: lambda w: rng.triangular(-w, 0.0, w, n),
            Shape.U_SHAPED: lambda w: w * np.sin(rng.uniform(0.0, 2.0 * np.pi, n)),
        }[shape](width)
    lines = [Contribution("", u, shape) for shape, u in parts]
    u = math.hypot(*(u for _, u in parts))
    factor = unc.interval_factor(lines, confidence)
    held = np.mean(np.abs(total) <= factor * u)
    assert held == pytest.approx(confidence, abs=0.006)


def test_factor_of_few_degrees_of_freedom():
    # JCGM 100:2008, table G.2 (from memory; computed): 2.57 at five degrees of freedom
    assert unc.interval_factor([Contribution("", 2.0, freedom=5.0)]) == pytest.approx(
        2.57, abs=0.01
    )
    assert unc.interval_factor([]) == 0.0


def test_factor_of_the_expanded_uncertainty():
    assert unc.coverage(None) == 2.0
    assert unc.coverage(1e6) == 2.0
    # JCGM 100:2008, table G.2, column 95.45 % (from memory; computed): 13.97, 2.65, 2.28
    for freedom, factor in ((1.0, 13.97), (5.0, 2.65), (10.0, 2.28), (0.2, 13.97)):
        assert unc.coverage(freedom) == pytest.approx(factor, abs=0.005)


def test_conformance_with_few_degrees_of_freedom():
    known = unc.conformance(1.0, 0.5, None, 2.0)
    poorly = unc.conformance(1.0, 0.5, None, 2.0, 3.0)
    assert 0.5 < poorly < known
    assert unc.conformance(1.0, 0.5, None, 2.0, 1e9) == known
