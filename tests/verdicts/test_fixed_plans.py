from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from hil.verdicts.fixed_plans import (
    Convention,
    FixedPlan,
    smallest_plan,
    success_run_reliability,
    success_run_trials,
)

rates = st.tuples(st.floats(0.001, 0.2), st.floats(2.0, 10.0)).map(
    lambda p: (p[0], min(0.9, p[0] * p[1]))
)
risks = st.tuples(st.floats(0.01, 0.2), st.floats(0.01, 0.2))


def test_operating_characteristic_of_a_published_plan():
    # n 52, c 3: table of NIST e-Handbook 6.2.2 (the plan is from memory, the figures computed).
    found = FixedPlan(52, 3).characteristic(np.arange(1, 13) / 100.0)
    published = [
        0.998, 0.980, 0.930, 0.846, 0.738, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115,
    ]  # fmt: skip
    assert found == pytest.approx(published, abs=1.5e-3)


@pytest.mark.parametrize(
    ("reliability", "confidence", "trials"),
    [
        (0.80, 0.80, 8), (0.80, 0.90, 11), (0.90, 0.80, 16), (0.90, 0.90, 22), (0.90, 0.95, 29),
        (0.90, 0.99, 44), (0.95, 0.90, 45), (0.95, 0.95, 59), (0.95, 0.99, 90), (0.99, 0.90, 230),
        (0.99, 0.95, 299), (0.99, 0.99, 459), (0.999, 0.95, 2995),
    ],
)  # fmt: skip
def test_success_runs_in_both_conventions(reliability, confidence, trials):
    # Zero failures: n = ceil(ln(1-C)/ln R) (computed). Uniform prior: one fewer (page on the
    # success-run theorem that uses n + 1, and computed).
    zero = success_run_trials(reliability, confidence, Convention.ZERO_FAILURE)
    prior = success_run_trials(reliability, confidence, Convention.UNIFORM_PRIOR)
    assert (zero, prior) == (trials, trials - 1)


def test_99_95_is_read_both_ways():
    # R 0.99 at C 0.95 takes 299, R 0.95 at C 0.99 takes 90 (computed): say which is which.
    assert success_run_trials(0.99, 0.95, Convention.ZERO_FAILURE) == 299
    assert success_run_trials(0.95, 0.99, Convention.ZERO_FAILURE) == 90


@pytest.mark.parametrize(
    ("trials", "confidence", "reliability"),
    [(59, 0.95, 0.951297), (29, 0.95, 0.904966), (10, 0.90, 0.811131)],
)  # R_L = (1-C)^(1/(n+1)): page on the success-run theorem, and computed
def test_reliability_with_a_uniform_prior(trials, confidence, reliability):
    found = success_run_reliability(trials, confidence, Convention.UNIFORM_PRIOR)
    assert found == pytest.approx(reliability, abs=1e-6)


@given(st.integers(1, 5000), st.floats(0.5, 0.999))
def test_a_run_shows_what_it_was_sized_for(trials, confidence):
    for convention in Convention:
        shown = success_run_reliability(trials, confidence, convention)
        if 0.01 < shown < 0.9999 and trials > 1:
            assert success_run_trials(shown - 1e-9, confidence, convention) <= trials
            assert success_run_trials(shown + 1e-9, confidence, convention) > trials - 1
    zero = success_run_reliability(trials, confidence, Convention.ZERO_FAILURE)
    assert success_run_reliability(trials, confidence, Convention.UNIFORM_PRIOR) > zero


@settings(deadline=None)
@given(rates, risks)
def test_the_smallest_plan_keeps_both_risks_and_no_smaller_one_does(pair, wanted):
    (good, bad), (alpha, beta) = pair, wanted
    plan = smallest_plan(good, bad, alpha, beta)
    assert 1.0 - plan.acceptance(good) <= alpha
    assert plan.acceptance(bad) <= beta
    fewer = plan.trials - 1
    if fewer > 1:
        allowed = np.arange(0, min(fewer, plan.acceptable + 3))
        keeps = (binom.sf(allowed, fewer, good) <= alpha) & (binom.cdf(allowed, fewer, bad) <= beta)
        assert not keeps.any()


def test_the_characteristic_is_that_of_the_binomial():
    plan, p = FixedPlan(52, 3), np.linspace(0.0, 1.0, 21)
    assert plan.characteristic(p) == pytest.approx(binom.cdf(3, 52, p), abs=1e-12)


@given(st.integers(1, 300), st.integers(0, 20), st.floats(0.01, 0.99))
def test_the_rate_accepted_inverts_the_characteristic(trials, acceptable, probability):
    if acceptable >= trials:
        return
    plan = FixedPlan(trials, acceptable)
    rate = plan.rate_accepted(probability)
    assert plan.acceptance(rate) == pytest.approx(probability, abs=1e-6)
    assert plan.shown(1.0 - probability) == pytest.approx(rate, abs=1e-6)


@given(st.integers(2, 200), st.integers(0, 10))
def test_worse_firmware_is_accepted_less_often(trials, acceptable):
    if acceptable >= trials:
        return
    found = FixedPlan(trials, acceptable).characteristic(np.linspace(0.0, 1.0, 50))
    assert found[0] == 1.0
    assert np.all(np.diff(found) <= 1e-15)


@pytest.mark.parametrize(("trials", "acceptable"), [(0, 0), (5, 5), (5, -1)])
def test_no_plan(trials, acceptable):
    with pytest.raises(ValueError, match="no plan"):
        FixedPlan(trials, acceptable)


@pytest.mark.parametrize(
    "wrong", [(0.1, 0.1, 0.05, 0.05), (0.0, 0.1, 0.05, 0.05), (0.1, 0.2, 0.0, 0.1)]
)
def test_impossible_demands(wrong):
    with pytest.raises(ValueError, match="expected"):
        smallest_plan(*wrong)


def test_demands_beyond_any_bench():
    with pytest.raises(ValueError, match="more than"):
        smallest_plan(1e-7, 1.001e-7, 0.001, 0.001)


def test_arguments_out_of_range():
    with pytest.raises(ValueError, match="show nothing"):
        success_run_reliability(0, 0.9, Convention.ZERO_FAILURE)
    with pytest.raises(ValueError, match="between 0 and 1"):
        FixedPlan(5, 1).acceptance(1.5)
    with pytest.raises(ValueError, match="probability"):
        FixedPlan(5, 1).rate_accepted(1.0)
