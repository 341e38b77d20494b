from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import false_discovery_control

from hil.verdicts.multiplicity import benjamini_hochberg

#: Example of Benjamini and Hochberg (1995); also in scipy's documentation.
EXAMPLE = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344,
    0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
]  # fmt: skip
p_values = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=50)


def test_the_example_of_the_paper():
    adjusted = benjamini_hochberg(EXAMPLE)
    assert np.count_nonzero(adjusted <= 0.05) == 4
    assert EXAMPLE[3] == 0.0095  # the cut-off
    assert np.count_nonzero(np.array(EXAMPLE) <= 0.05 / 15) == 3  # Bonferroni
    assert np.count_nonzero(np.array(EXAMPLE) <= 0.05) == 9  # uncorrected


def test_adjusted_values_of_the_example():
    # As another implementation gives them (document and computed).
    expected = [
        0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645,
        0.0765, 0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0,
    ]  # fmt: skip
    assert benjamini_hochberg(EXAMPLE) == pytest.approx(expected, abs=1e-6)


@given(p_values)
def test_against_scipy(values):
    assert benjamini_hochberg(values) == pytest.approx(false_discovery_control(values))


@given(p_values, st.randoms(use_true_random=False))
def test_order_does_not_matter(values, random):
    places = list(range(len(values)))
    random.shuffle(places)
    shuffled = benjamini_hochberg([values[place] for place in places])
    assert shuffled == pytest.approx(benjamini_hochberg(values)[places])


@given(p_values)
def test_adjusting_never_lessens_and_keeps_the_order(values):
    adjusted = benjamini_hochberg(values)
    assert np.all(adjusted >= np.array(values) - 1e-15)
    assert np.all(adjusted <= 1.0)
    order = np.argsort(values)
    assert np.all(np.diff(adjusted[order]) >= 0.0)


@given(p_values, st.integers(0, 10))
def test_comparisons_not_made_do_not_count(values, more):
    adjusted = benjamini_hochberg([*values, *[math.nan] * more])
    assert adjusted[: len(values)] == pytest.approx(benjamini_hochberg(values))
    assert np.all(np.isnan(adjusted[len(values) :]))


def test_no_comparison():
    assert benjamini_hochberg([]).shape == (0,)
    assert np.isnan(benjamini_hochberg([math.nan])).all()


@pytest.mark.parametrize("wrong", [[1.1], [-0.1, 0.5], [[0.1]], [math.inf]])
def test_what_is_no_p_value(wrong):
    with pytest.raises(ValueError, match="p values"):
        benjamini_hochberg(wrong)


def test_the_share_of_false_findings_is_held():
    rng = np.random.default_rng(9)
    shares = []
    for _ in range(600):
        null = rng.random(80)
        true = rng.random(20) * 1e-3
        found = benjamini_hochberg(np.concatenate([null, true])) <= 0.1
        shares.append(found[:80].sum() / max(1, found.sum()))
    assert np.mean(shares) <= 0.1
