from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.verdicts.fixed_plans import FixedPlan, smallest_plan
from hil.verdicts.sequential import Decision, SequentialTest, evaluate
from hil.verdicts.sequential_design import LONGEST, design, forecast, saved, truncated

CAMPAIGNS = 10_000


def simulate(test: SequentialTest, rates: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Trials taken and whether accepted, of one campaign for each true failure rate."""
    rng = np.random.default_rng(seed)
    assert test.most is not None
    sizes = range(1, test.most + 1)
    failures = np.cumsum(rng.random((rates.size, test.most)) < rates[:, None], axis=1)
    accept_at = np.array([test.accept_number(n) for n in sizes])
    reject_at = np.array([test.reject_number(n) for n in sizes])
    ends = ((failures <= accept_at) | (failures >= reject_at)).argmax(axis=1)
    return ends + 1, failures[np.arange(rates.size), ends] <= accept_at[ends]


@pytest.mark.parametrize(
    ("good", "bad", "risk"), [(0.01, 0.05, 0.05), (0.01, 0.05, 0.01), (0.01, 0.10, 0.05)]
)
def test_half_the_starts_of_the_fixed_plan_over_ten_thousand_campaigns(good, bad, risk):
    """Half of the builds as good as the good rate, half as bad as the bad one; equal risks.

    Between the two rates the saving is less; `test_where_it_saves_and_where_not` states how much.
    """
    test, plan = design(good, bad, risk, risk), smallest_plan(good, bad, risk, risk)
    rates = np.repeat([good, bad], CAMPAIGNS // 2)
    trials, accepted = simulate(test, rates, seed=1)
    error = 4.0 * np.sqrt(risk * (1.0 - risk) / (CAMPAIGNS / 2))
    assert 1.0 - accepted[rates == good].mean() <= risk + error
    assert accepted[rates == bad].mean() <= risk + error
    assert 1.0 - trials.mean() / plan.trials >= 0.50


#: True failure rate -> share of starts saved against the fixed plan of 344 (c = 8), p0 1 %, p1 5 %,
#: both risks 1 %. Not everywhere half: a build as good as p0 saves 46 %, and one between the two
#: rates, where neither decision is near, a fifth. Exact, checked here by simulation.
SAVING = {0.0: 0.67, 0.005: 0.59, 0.01: 0.46, 0.025: 0.19, 0.05: 0.67, 0.10: 0.89, 0.20: 0.95}


def test_where_it_saves_and_where_not():
    test, plan = design(0.01, 0.05, 0.01, 0.01), smallest_plan(0.01, 0.05, 0.01, 0.01)
    assert (plan.trials, plan.acceptable) == (344, 8)
    for rate, saving in SAVING.items():
        exact = forecast(test, plan, rate, 1.0)
        assert exact.saving == pytest.approx(saving, abs=0.01)
        trials, _accepted = simulate(test, np.full(CAMPAIGNS, rate), seed=2)
        reach = 4.0 * evaluate(test, rate).deviation / np.sqrt(CAMPAIGNS) / plan.trials
        assert 1.0 - trials.mean() / plan.trials == pytest.approx(exact.saving, abs=reach + 1e-9)


@settings(deadline=None, max_examples=10)
@given(st.floats(0.005, 0.03), st.floats(3.0, 10.0), st.floats(0.02, 0.1), st.floats(0.02, 0.1))
def test_a_designed_test_keeps_its_risks(good, ratio, alpha, beta):
    bad = good * ratio
    test, plan = design(good, bad, alpha, beta), smallest_plan(good, bad, alpha, beta)
    at_good, at_bad = evaluate(test, good), evaluate(test, bad)
    assert at_good.reject <= alpha
    assert at_bad.accept <= beta
    assert test.most is not None
    assert test.most <= LONGEST * plan.trials + 1
    assert 0.5 * (at_good.trials + at_bad.trials) < plan.trials


@pytest.mark.parametrize(
    ("good", "bad", "alpha", "beta", "reject", "accept"),
    [(0.01, 0.10, 0.05, 0.10, 0.0235, 0.1314), (0.01, 0.05, 0.05, 0.05, 0.0434, 0.0684)],
)  # own recursion: what cutting off at the fixed size does to the risks
def test_exact_risks_after_cutting_off(good, bad, alpha, beta, reject, accept):
    test, plan = truncated(good, bad, alpha, beta), smallest_plan(good, bad, alpha, beta)
    assert (test.most, test.acceptable) == (plan.trials, plan.acceptable)
    assert evaluate(test, good).reject == pytest.approx(reject, abs=5e-5)
    assert evaluate(test, bad).accept == pytest.approx(accept, abs=5e-5)
    for rate in (0.0, good, bad, 0.5):
        assert evaluate(test, rate).ends.size <= plan.trials


def test_forecast_before_the_run():
    plan = FixedPlan(52, 2)
    found = forecast(truncated(0.01, 0.10, 0.05, 0.10), plan, 0.0, 4.0)
    assert (found.trials, found.seconds, found.usual, found.most) == (24.0, 96.0, 24, 52)
    assert (found.fixed_trials, found.fixed_seconds) == (52, 208.0)
    assert found.saving == pytest.approx(1 - 24 / 52)
    assert str(found) == (
        "at a failure rate of 0 %: 24.0 trials (96 s) expected, 24 in 95 % of cases, against 52 "
        "(208 s) of a fixed plan: 54 % less"
    )


def test_an_open_ended_test_names_its_practical_end():
    found = forecast(SequentialTest(0.01, 0.10), FixedPlan(61, 2), 0.03, 1.0)
    assert found.most > 100


def test_account_after_the_run():
    state = truncated(0.01, 0.10, 0.05, 0.10).begin()
    with pytest.raises(ValueError, match="has not decided"):
        saved(state, FixedPlan(52, 2), 0.0)
    while state.decision is Decision.CONTINUE:
        state = state.after(success=True)
    found = saved(state, FixedPlan(52, 2), 120.0)
    assert (found.trials, found.seconds, found.fixed_seconds) == (24, 120.0, 260.0)
    assert str(found) == (
        "24 trials in 120 s; a fixed plan of equal risks takes 52 in 260 s: 54 % less"
    )


def test_a_longer_run_than_the_fixed_plan_is_told_as_such():
    state = SequentialTest(0.01, 0.10).begin()
    while state.decision is Decision.CONTINUE:
        state = state.after(success=True)
    assert str(saved(state, FixedPlan(20, 1), 30.0)).endswith("% more")


def test_no_bench_time():
    with pytest.raises(ValueError, match="bench time"):
        forecast(SequentialTest(0.01, 0.1), FixedPlan(52, 2), 0.0, -1.0)
