"""Budgets: sums, sensitivities, effective degrees of freedom."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.budget import (
    ACCURACY,
    NOISE,
    RESOLUTION,
    Budget,
    Contribution,
    Shape,
    line,
    rectangular,
    total,
)

sizes = st.one_of(st.just(0.0), st.floats(1e-3, 1e6))
freedoms = st.one_of(st.none(), st.floats(0.5, 1e3))
lines = st.builds(
    Contribution, st.sampled_from([ACCURACY, NOISE]), sizes, st.just(Shape.NORMAL), freedoms
)
budgets = st.lists(lines, max_size=6).map(lambda found: Budget(tuple(found)))


def test_nothing_is_certain():
    assert Budget().total == 0.0
    assert Budget().freedom is None
    assert line(NOISE, 0.0) == Budget()
    assert rectangular(ACCURACY, 0.0) == Budget()


@pytest.mark.parametrize(
    ("shape", "share"),
    [
        # JCGM 100:2008, 4.3.7 and 4.3.9 (from memory; computed)
        (Shape.RECTANGULAR, 0.577350),
        (Shape.TRIANGULAR, 0.408248),
        (Shape.U_SHAPED, 0.707107),
        (Shape.NORMAL, 1.0),
    ],
)
def test_half_widths_become_standard_uncertainties(shape, share):
    assert line(ACCURACY, 2.0, shape).total == pytest.approx(2.0 * share, abs=1e-5)


@pytest.mark.parametrize("shape", list(Shape))
def test_the_kurtosis_of_a_shape_is_that_of_its_samples(shape):
    rng = np.random.default_rng(1)
    n = 400_000
    drawn = {
        Shape.NORMAL: rng.standard_normal(n),
        Shape.RECTANGULAR: rng.uniform(-1.0, 1.0, n),
        Shape.TRIANGULAR: rng.uniform(-0.5, 0.5, n) + rng.uniform(-0.5, 0.5, n),
        Shape.U_SHAPED: np.sin(rng.uniform(0.0, 2.0 * np.pi, n)),
    }[shape]
    assert np.std(drawn) * shape.divisor == pytest.approx(1.0, rel=0.01)
    assert np.mean(drawn**4) / np.mean(drawn**2) ** 2 - 3.0 == pytest.approx(shape.excess, abs=0.05)


def test_end_gauge():
    """JCGM 100:2008, H.1 (found and computed): 32 nm and 16.7 effective degrees of freedom."""
    gauge = (
        line("standard", 25.0, freedom=18.0)
        + line("comparison", 9.7, freedom=25.6)
        + line("expansion", 2.9, freedom=50.0)
        + line("temperature", 16.6, freedom=2.0)
    )
    assert gauge.total == pytest.approx(31.671, abs=1e-3)
    assert gauge.freedom == pytest.approx(16.75, abs=0.05)


@given(budgets, st.floats(1e-3, 1e3), st.sampled_from([1.0, -1.0]))
def test_a_factor_acts_on_every_part_and_leaves_the_freedom(budget, size, sign):
    scaled = sign * size * budget
    assert scaled.total == pytest.approx(size * budget.total, rel=1e-9)
    assert scaled.freedom == (budget.freedom and pytest.approx(budget.freedom, rel=1e-6))


@given(budgets, budgets)
def test_independent_budgets_add_in_squares(one, other):
    assert (one + other).total == pytest.approx(math.hypot(one.total, other.total), rel=1e-9)
    assert total([one, other]) == one + other


@given(budgets)
def test_the_freedom_lies_between_the_least_and_the_sum(budget):
    """JCGM 100:2008, G.4.1: at most the sum of the single ones, where all are finite."""
    found = budget.freedom
    if found is None:
        return
    finite = [p.freedom for p in budget.parts if p.freedom is not None and p.uncertainty > 0.0]
    assert found >= min(finite) * (1.0 - 1e-9)
    if all(p.freedom is not None for p in budget.parts):
        assert found <= sum(p.freedom for p in budget.parts) * (1.0 + 1e-9)


def test_parts_by_source():
    both = line(NOISE, 1.0) + rectangular(RESOLUTION, 1.0)
    assert both.of(NOISE).total == 1.0
    assert both.of(ACCURACY) == Budget()


@pytest.mark.parametrize(("size", "freedom"), [(-1.0, None), (1.0, 0.0), (1.0, -2.0)])
def test_impossible_contributions(size, freedom):
    with pytest.raises(ValueError, match="noise"):
        Contribution(NOISE, size, Shape.NORMAL, freedom)


def test_a_number_gone_wrong_is_seen_in_the_total():
    assert math.isnan(Budget((Contribution(NOISE, math.nan),)).total)
    assert Budget((Contribution(NOISE, math.nan),)).freedom is None
