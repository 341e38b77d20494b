"""Global risks against the published example and against drawing."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from hil.core.band import Band, Rule
from hil.verdicts.risk import global_risks, guard_for_risk, risks_of

RESISTORS = (1500.0, 0.12), (1499.8, 1500.2), (1499.82, 1500.18), 0.04


def test_resistors():
    # JCGM 106:2012, 9.5 (inputs found; 10 %, 1 %, 7 % printed from memory; digits computed)
    found = global_risks(*RESISTORS)
    assert found.nonconforming == pytest.approx(0.095581, abs=2e-6)
    assert found.consumer == pytest.approx(0.009878, abs=2e-6)
    assert found.producer == pytest.approx(0.069027, abs=2e-6)


def test_drawing_resistors_gives_the_same():
    rng = np.random.default_rng(5)
    true = rng.normal(1500.0, 0.12, 2_000_000)
    seen = true + rng.normal(0.0, 0.04, true.size)
    conforms = (true >= 1499.8) & (true <= 1500.2)
    accepted = (seen >= 1499.82) & (seen <= 1500.18)
    found = global_risks(*RESISTORS)
    assert np.mean(~conforms & accepted) == pytest.approx(found.consumer, abs=4e-4)
    assert np.mean(conforms & ~accepted) == pytest.approx(found.producer, abs=8e-4)


def test_one_limit():
    found = global_risks((0.0, 1.0), (-math.inf, 0.0), (-math.inf, 0.0), 1.0)
    # symmetric in measured and true: half conforms, a quarter of all is judged wrongly
    assert found.nonconforming == pytest.approx(0.5)
    assert found.consumer == pytest.approx(0.125, abs=1e-5)
    assert found.producer == pytest.approx(0.125, abs=1e-5)


@given(st.floats(0.0, 3.0), st.floats(0.01, 1.0))
def test_a_wider_guard_takes_from_the_consumer_and_gives_to_the_producer(guard, u):
    one = global_risks((0.0, 1.0), (-2.0, 2.0), (-2.0, 2.0), u)
    other = global_risks((0.0, 1.0), (-2.0, 2.0), (-2.0 + guard * 0.5, 2.0 - guard * 0.5), u)
    assert other.consumer <= one.consumer + 1e-12
    assert other.producer >= one.producer - 1e-12
    assert other.nonconforming == pytest.approx(one.nonconforming)


@pytest.mark.parametrize(
    ("prior", "tolerance", "acceptance", "u"),
    [
        ((0.0, 0.0), (0.0, 1.0), (0.0, 1.0), 1.0),
        ((0.0, 1.0), (0.0, 1.0), (0.0, 1.0), 0.0),
        ((0.0, 1.0), (1.0, 1.0), (0.0, 1.0), 1.0),
        ((0.0, 1.0), (0.0, 1.0), (2.0, 1.0), 1.0),
    ],
)
def test_impossible_questions(prior, tolerance, acceptance, u):
    with pytest.raises(ValueError, match=r"deviations|contradict"):
        global_risks(prior, tolerance, acceptance, u)


def test_guard_band_of_a_risk():
    # JCGM 106:2012, 8.3: 5 % need w = 0.8224 U (computed: 1.645 u; U17), 2.275 % need w = U
    assert guard_for_risk(0.05) == pytest.approx(0.82243, abs=1e-5)
    assert guard_for_risk(0.02275) == pytest.approx(1.0, abs=1e-4)
    for risk in (0.0, 0.5, math.nan):
        with pytest.raises(ValueError, match="risk"):
            guard_for_risk(risk)


def test_the_risks_of_a_simple_band_are_those_of_its_limits():
    band = Band("ripple", None, 2.0, "%")
    found = risks_of(band, 1.0, 0.5, 0.2)
    assert found == global_risks((1.0, 0.5), (-math.inf, 2.0), (-math.inf, 2.0), 0.2)
    # one limit two deviations away: what is measured scatters by hypot(0.5, 0.2) (closed form)
    passed = 1.0 - found.nonconforming - found.producer + found.consumer
    assert found.nonconforming == pytest.approx(ndtr(-2.0), abs=1e-7)
    assert passed == pytest.approx(ndtr(1.0 / math.hypot(0.5, 0.2)), abs=1e-7)


@pytest.mark.parametrize("more", [{"guard": 0.5}, {"risk": 0.025}])
def test_a_guard_band_moves_risk_from_the_one_to_the_other(more):
    simple = risks_of(Band("ripple", 0.0, 2.0, "%"), 1.0, 0.5, 0.1)
    band = Band("ripple", 0.0, 2.0, "%", rule=Rule.GUARDED, **more)
    found = risks_of(band, 1.0, 0.5, 0.1)
    share = more.get("guard") or guard_for_risk(more["risk"])
    by = share * 2.0 * 0.1
    assert found == global_risks((1.0, 0.5), (0.0, 2.0), (by, 2.0 - by), 0.1)
    assert found.nonconforming == simple.nonconforming
    assert found.consumer < simple.consumer
    assert found.producer > simple.producer


def test_no_risk_is_told_where_there_is_nothing_to_tell():
    band = Band("ripple", 0.0, 2.0, "%", rule=Rule.GUARDED)
    assert risks_of(band, 1.0, 0.0, 0.1) is None
    assert risks_of(band, 1.0, 0.5, 0.0) is None
    assert risks_of(band, 1.0, 0.5, 0.5) is None  # two guard bands of 1.0 leave nothing
    assert risks_of(Band("count", 1.0, 1.0, "V"), 1.0, 0.5, 0.1) is None
