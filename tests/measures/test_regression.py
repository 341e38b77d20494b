"""Straight lines with errors in both coordinates, and the mix-ups a slope betrays."""

import math
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.measures.regression import confusion, deming, ordinary, york
from hil.measures.unmeasurable import Unmeasurable


def norris():
    text = (files("scipy.stats") / "tests/data/nist_linregress/Norris.dat").read_text()
    rows = np.array([line.split() for line in text.splitlines()[60:96]], dtype=np.float64)
    return rows[:, 1], rows[:, 0]


def test_norris():
    # NIST StRD linear, Norris, n = 36 (found; the data ship with scipy)
    x, y = norris()
    found = ordinary(x, y)
    assert x.size == 36
    assert found.offset == pytest.approx(-0.262323073774029, rel=1e-10)
    assert found.slope == pytest.approx(1.00211681802045, rel=1e-10)
    assert found.offset_uncertainty == pytest.approx(0.232818234301152, rel=1e-9)
    assert found.slope_uncertainty == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert found.scatter == pytest.approx(0.884796396144373, rel=1e-9)


def test_deming_without_errors_in_x_is_ordinary():
    x, y = norris()
    assert deming(x, y, math.inf) == ordinary(x, y)
    assert deming(x, y, 1e12).slope == pytest.approx(ordinary(x, y).slope, rel=1e-9)


def test_york_without_errors_in_x_is_ordinary():
    x, y = norris()
    plain = ordinary(x, y)
    found = york(x, y, np.full(36, 1e-9), np.full(36, plain.scatter))
    assert found.slope == pytest.approx(plain.slope, rel=1e-9)
    assert found.slope_uncertainty == pytest.approx(plain.slope_uncertainty, rel=1e-6)
    assert found.scatter == pytest.approx(1.0, rel=1e-6)


def test_york_on_the_data_of_pearson():
    """Pearson's data with York's weights; a = 5.47991, b = -0.480533 (from memory)."""
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.array([1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0])
    wy = np.array([1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0])
    found = york(x, y, wx**-0.5, wy**-0.5)
    assert found.slope == pytest.approx(-0.480533, abs=2e-6)
    assert found.offset == pytest.approx(5.47991, abs=2e-5)
    assert found.slope_uncertainty == pytest.approx(0.0580, abs=5e-4)


@settings(deadline=None, max_examples=40)
@given(st.floats(1.0, 5.0), st.integers(0, 2**32 - 1))  # less steep, chance is 3 of 15 %
def test_deming_does_not_shrink_the_slope_where_ordinary_does(slope, seed):
    rng = np.random.default_rng(seed)
    true = rng.uniform(0.0, 10.0, 4000)
    x, y = true + rng.normal(0, 2.0, 4000), slope * true + rng.normal(0, 2.0, 4000)
    assert deming(x, y).slope == pytest.approx(slope, rel=0.15)
    assert ordinary(x, y).slope < 0.8 * slope


@given(st.floats(0.1, 10.0), st.floats(-50.0, 50.0), st.floats(0.1, 10.0))
def test_points_on_a_line_give_the_line(slope, offset, ratio):
    x = np.linspace(-3.0, 8.0, 7)
    for found in (ordinary(x, offset + slope * x), deming(x, offset + slope * x, ratio)):
        assert found.slope == pytest.approx(slope, rel=1e-9)
        assert found.offset == pytest.approx(offset, abs=1e-7)


@given(st.integers(0, 2**32 - 1), st.floats(0.2, 5.0))
def test_turning_the_axes_round_turns_the_line_round(seed, ratio):
    rng = np.random.default_rng(seed)
    x = np.linspace(0.0, 10.0, 20)
    y = 2.0 * x + rng.normal(0.0, 0.5, 20)
    other = deming(y, x, 1.0 / ratio)
    assert deming(x, y, ratio).slope == pytest.approx(1.0 / other.slope, rel=1e-9)


def test_impossible_lines():
    x = np.array([1.0, 2.0, 3.0])
    with pytest.raises(Unmeasurable, match="needs 3"):
        ordinary(x[:2], x[:2])
    with pytest.raises(Unmeasurable, match="abscissa"):
        ordinary(np.ones(3), x)
    with pytest.raises(Unmeasurable, match="together"):
        deming(x, np.array([1.0, 0.0, 1.0]))
    with pytest.raises(ValueError, match="positive"):
        deming(x, x, 0.0)
    with pytest.raises(ValueError, match="above zero"):
        york(x, x, np.zeros(3), np.ones(3))
    with pytest.raises(ValueError, match="shapes"):
        ordinary(x, x[:2])


@pytest.mark.parametrize(
    ("slope", "word"),
    [
        (4.0, "pole pairs"),
        (0.25, "the other way round"),
        (2.0, "factor of two"),
        (0.5, "factor of two"),
        (10.0, "decimal"),
        (9.549, "rad/s"),
        (0.1047, "rad/s"),
        (-4.05, "sign is turned round"),
        (-1.0, "sign is turned round"),
    ],
)
def test_mix_ups(slope, word):
    assert word in confusion(slope, 4)


@pytest.mark.parametrize("slope", [1.0, 1.03, 0.95, 3.0, 0.7, 0.0, math.inf])
def test_scale_errors_are_no_mix_ups(slope):
    assert confusion(slope, 4) == ""


def test_two_names_for_one_factor_are_both_named():
    found = confusion(2.0, 2)
    assert "pole pairs" in found
    assert "factor of two" in found
