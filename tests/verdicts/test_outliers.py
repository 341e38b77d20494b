from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.verdicts.outliers import MAD_TO_SIGMA, grubbs, screen

TEN_MASSES = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
samples = st.lists(st.floats(-100, 100), min_size=3, max_size=30)


def test_grubbs_of_the_handbook():
    # NIST e-Handbook 1.3.5.17.1 (document and computed; the published G is cut off).
    found = grubbs(TEN_MASSES, one_sided=True)
    assert found.statistic == pytest.approx(2.4687, abs=1e-4)
    assert found.critical == pytest.approx(2.032, abs=5e-4)
    assert (found.suspect, found.index, found.value) == (True, 7, 245.57)


def test_two_sided_is_stricter():
    assert grubbs(TEN_MASSES).critical > grubbs(TEN_MASSES, one_sided=True).critical


def test_a_low_value_is_no_outlier_upwards():
    low = [-value for value in TEN_MASSES]
    assert grubbs(low).suspect
    assert not grubbs(low, one_sided=True).suspect


@pytest.mark.parametrize("count", [5, 20])
def test_grubbs_suspects_healthy_samples_as_often_as_stated(count):
    rng = np.random.default_rng(count)
    runs = 4000
    share = sum(grubbs(rng.standard_normal(count)).suspect for _ in range(runs)) / runs
    assert share == pytest.approx(0.05, abs=4.0 * math.sqrt(0.05 * 0.95 / runs))


@given(samples, st.floats(0.1, 100), st.floats(-100, 100))
def test_grubbs_has_no_unit(values, scale, offset):
    before, after = grubbs(values), grubbs([scale * v + offset for v in values])
    if np.std(values) > 1e-3:
        assert after.statistic == pytest.approx(before.statistic, rel=1e-6)
        assert after.critical == before.critical


def test_equal_values_hold_no_suspect():
    assert not grubbs([3.0] * 5).suspect
    assert screen([3.0] * 5).suspects == ()


def test_the_factor_makes_normal_values_have_deviation_one():
    values = np.random.default_rng(1).standard_normal(200_000)
    assert screen(values).sigma == pytest.approx(1.0, abs=0.01)
    assert pytest.approx(1.0 / 0.6744897501960817) == MAD_TO_SIGMA


def test_screening_finds_several_that_hide_each_other():
    # Two like outliers defeat Grubbs' test (they widen s), not the median.
    values = [10.0, 10.1, 9.9, 10.2, 9.8, 10.05, 9.95, 15.0, 15.1]
    assert not grubbs(values).suspect
    assert screen(values).suspects == (7, 8)


@given(samples)
def test_screening_keeps_every_value(values):
    before = list(values)
    found = screen(values)
    assert values == before
    assert found.scores.shape == (len(values),)
    assert all(abs(found.scores[index]) > 3.5 for index in found.suspects)


@given(samples, st.sampled_from([0.5, 2.0, 64.0]))
def test_scores_have_no_unit(values, scale):
    before, after = screen(values), screen([scale * value for value in values])
    assert after.suspects == before.suspects
    assert after.sigma == pytest.approx(scale * before.sigma)


def test_one_step_of_a_coarse_quiet_signal_is_no_outlier():
    values = [24.0] * 9 + [24.1]
    assert screen(values).suspects == (9,)
    assert math.isinf(screen(values).scores[9])
    assert screen(values, resolution=0.1).suspects == ()


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: grubbs([1.0, 2.0]), "at least 3"),
        (lambda: grubbs([1.0, 2.0, math.inf]), "finite"),
        (lambda: grubbs([1.0, 2.0, 3.0], 0.0), "level"),
        (lambda: screen([1.0], 0.0), "no such screening"),
        (lambda: screen([1.0], resolution=-1.0), "no such screening"),
        (lambda: screen([math.nan]), "finite"),
    ],
    ids=range(6),
)
def test_no_screening(call, match):
    with pytest.raises(ValueError, match=match):
        call()
