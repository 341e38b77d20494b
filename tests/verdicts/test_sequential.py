from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.verdicts.fixed_plans import FixedPlan
from hil.verdicts.sequential import Decision, SequentialTest, evaluate

HANDBOOK = SequentialTest(0.01, 0.10, alpha=0.05, beta=0.10)
tests = st.builds(
    lambda good, ratio, alpha, beta: SequentialTest(good, good * ratio, alpha, beta),
    st.floats(0.005, 0.05),
    st.floats(3.0, 8.0),
    st.floats(0.01, 0.2),
    st.floats(0.01, 0.2),
)


def test_lines_of_the_handbook():
    # NIST e-Handbook 6.2.6 prints -.939 + .0397 n and 1.205 + .0397 n (from memory); computed.
    assert HANDBOOK.accept_intercept == pytest.approx(0.938862, abs=1e-6)
    assert HANDBOOK.reject_intercept == pytest.approx(1.205379, abs=1e-6)
    assert HANDBOOK.slope == pytest.approx(0.039747, abs=1e-6)


def test_lines_of_walds_lot():
    # Wald, Sequential Analysis (1947), ch. 5: p0 .1, p1 .3, risks .02 and .03 (place from memory).
    lot = SequentialTest(0.1, 0.3, alpha=0.02, beta=0.03)
    assert lot.accept_intercept == pytest.approx(2.582626, abs=1e-6)
    assert lot.reject_intercept == pytest.approx(2.875389, abs=1e-6)
    assert lot.slope == pytest.approx(0.186169, abs=1e-6)


def test_whole_numbers_on_the_lines():
    # Computed: k failures still accept from n = 24, 49, 74 on; two reject up to n = 19.
    for failures, first in ((0, 24), (1, 49), (2, 74)):
        assert HANDBOOK.accept_number(first) == failures
        assert HANDBOOK.accept_number(first - 1) == failures - 1
    assert HANDBOOK.reject_number(19) == 2
    assert HANDBOOK.reject_number(20) == 3
    assert HANDBOOK.reject_number(1) == 2  # one failure alone never rejects


@pytest.mark.parametrize(
    ("rate", "reject", "trials"), [(0.01, 0.022047, 30.2127), (0.10, 1 - 0.099579, 22.3692)]
)  # computed by an independent recursion; Wald's approximations 27.957 and 16.447 are too low
def test_exact_risks_and_sizes(rate, reject, trials):
    found = evaluate(HANDBOOK, rate)
    assert found.reject == pytest.approx(reject, abs=1e-6)
    assert found.trials == pytest.approx(trials, abs=1e-4)
    assert found.accept + found.reject == pytest.approx(1.0, abs=1e-12)


def test_the_recursion_against_every_path():
    # Every sequence of up to eight trials, followed one by one.
    test, rate = SequentialTest(0.1, 0.5, 0.1, 0.1, most=8, acceptable=1), 0.3
    accept, mean = 0.0, 0.0
    for path in itertools.product((False, True), repeat=8):
        state, probability = test.begin(), 1.0
        for failed in path:
            probability *= rate if failed else 1.0 - rate
            if state.decision is Decision.CONTINUE:
                state = state.after(success=not failed)
        assert state.decision is not Decision.CONTINUE
        accept += probability * (state.decision is Decision.ACCEPT)
        mean += probability * state.trials
    found = evaluate(test, rate)
    assert found.accept == pytest.approx(accept, abs=1e-12)
    assert found.trials == pytest.approx(mean, abs=1e-12)


def test_the_recursion_against_simulation():
    rng = np.random.default_rng(20260301)
    runs = 20_000
    failures = np.cumsum(rng.random((runs, 400)) < 0.03, axis=1)
    sizes = np.arange(1, 401)
    accept_at = np.array([HANDBOOK.accept_number(int(n)) for n in sizes])
    reject_at = np.array([HANDBOOK.reject_number(int(n)) for n in sizes])
    decided = (failures <= accept_at) | (failures >= reject_at)
    assert decided.any(axis=1).all()
    ends = decided.argmax(axis=1)
    accepted = failures[np.arange(runs), ends] <= accept_at[ends]
    found = evaluate(HANDBOOK, 0.03)
    error = 4.0 / np.sqrt(runs)  # four standard errors
    assert accepted.mean() == pytest.approx(found.accept, abs=0.5 * error)
    assert (ends + 1).mean() == pytest.approx(found.trials, abs=error * found.deviation)
    assert (ends + 1).std() == pytest.approx(found.deviation, rel=0.05)
    assert np.mean(ends + 1 <= found.quantile(0.9)) >= 0.89


@settings(deadline=None, max_examples=12)
@given(tests)
def test_walds_bounds_hold(test):
    # Wald: alpha' <= alpha/(1 - beta) and beta' <= beta/(1 - alpha), for open-ended tests.
    at_good, at_bad = evaluate(test, test.good), evaluate(test, test.bad)
    assert at_good.reject <= test.alpha / (1.0 - test.beta) + 1e-9
    assert at_bad.accept <= test.beta / (1.0 - test.alpha) + 1e-9
    assert at_good.reject + at_bad.accept <= test.alpha + test.beta + 1e-9


@settings(deadline=None, max_examples=12)
@given(tests)
def test_acceptance_falls_with_the_rate(test):
    accepted = [evaluate(test, rate).accept for rate in (0.0, test.good, test.slope, test.bad)]
    assert accepted[0] == pytest.approx(1.0)
    assert accepted == sorted(accepted, reverse=True)


@settings(deadline=None, max_examples=50)
@given(tests, st.integers(1, 120), st.integers(0, 12))
def test_a_truncated_test_always_ends(test, most, acceptable):
    if acceptable >= most:
        return
    cut = SequentialTest(test.good, test.bad, test.alpha, test.beta, most, acceptable)
    for rate in (0.0, test.good, test.bad, 1.0):
        found = evaluate(cut, rate)
        assert found.ends.size <= most
        assert found.accept + found.reject == pytest.approx(1.0, abs=1e-12)
    assert cut.accept_number(most) + 1 >= cut.reject_number(most)


def test_with_lines_far_away_truncation_is_the_fixed_plan_stopped_early():
    far = SequentialTest(0.01, 0.1, 1e-12, 1e-12, most=52, acceptable=2)
    plan = FixedPlan(52, 2)
    for rate in (0.005, 0.03, 0.1):
        found = evaluate(far, rate)
        assert found.accept == pytest.approx(plan.acceptance(rate), abs=1e-12)
        assert found.trials < 52


def test_progress_is_a_value():
    begun = HANDBOOK.begin()
    once = begun.after(success=False)
    assert (begun.trials, begun.failures) == (0, 0)
    assert (once.trials, once.failures, once.decision) == (1, 1, Decision.CONTINUE)
    twice = once.after(success=False)
    assert twice.decision is Decision.REJECT
    with pytest.raises(ValueError, match="decided after 2 trials: reject"):
        twice.after(success=True)
    assert twice.successes_to_accept() == 0


def test_a_clean_run_accepts_as_soon_as_promised():
    state = HANDBOOK.begin()
    assert state.successes_to_accept() == 24
    while state.decision is Decision.CONTINUE:
        promised = state.successes_to_accept()
        state = state.after(success=True)
        assert state.successes_to_accept() == promised - 1
    assert (state.trials, state.decision) == (24, Decision.ACCEPT)


@given(st.lists(st.booleans(), max_size=150))
def test_progress_follows_the_lines(outcomes):
    state = HANDBOOK.begin()
    for success in outcomes:
        if state.decision is not Decision.CONTINUE:
            break
        state = state.after(success=success)
        line = HANDBOOK.slope * state.trials
        below = state.failures <= line - HANDBOOK.accept_intercept
        above = state.failures >= line + HANDBOOK.reject_intercept
        expected = Decision.ACCEPT if below else Decision.REJECT if above else Decision.CONTINUE
        assert state.decision is expected


SHORT = SequentialTest(0.05, 0.4, most=12, acceptable=2)


def decided(test: SequentialTest, outcomes: list[bool]) -> Decision:
    """What a test decides of trials that are all known."""
    state = test.begin()
    for success in outcomes:
        if state.decision is Decision.CONTINUE:
            state = state.after(success=success)
    return state.decision


@given(
    st.sampled_from([SHORT, HANDBOOK]),
    st.lists(st.sampled_from([True, True, False, None, None]), max_size=60),
    st.data(),
)
def test_undecided_trials_decide_only_what_they_cannot_change(test, outcomes, data):
    """A decision stands if and only if all that they may have been leads to the same one."""
    state, seen = test.begin(), []
    for success in outcomes[: test.most]:
        if state.is_over:
            break
        state = state.after(success=success)
        seen.append(success)
    assert (state.trials, state.failures, state.undecided) == (
        len(seen), seen.count(False), seen.count(None),
    )  # fmt: skip
    best = decided(test, [one is not False for one in seen])
    worst = decided(test, [one is True for one in seen])
    assert state.decision is (best if best is worst else Decision.CONTINUE)
    maybe = [data.draw(st.booleans()) if one is None else one for one in seen]
    if state.decision is not Decision.CONTINUE:
        assert decided(test, maybe) is state.decision
    if state.is_over:  # whatever comes after
        more = data.draw(st.lists(st.booleans(), max_size=20))
        assert decided(test, [one is not False for one in seen] + more) is best
        assert decided(test, [one is True for one in seen] + more) is worst


def test_what_the_worst_case_has_decided_stays_decided():
    """Undecided trials that may all have failed reject; successes after them take nothing back."""
    state = HANDBOOK.begin()
    while state.at_worst is Decision.CONTINUE:
        state = state.after(success=None)
    assert state.at_worst is Decision.REJECT
    assert state.at_best is Decision.CONTINUE
    while not state.is_over:
        state = state.after(success=True)
        assert state.at_worst is Decision.REJECT
    assert state.at_best is Decision.ACCEPT
    assert state.decision is Decision.CONTINUE


def test_with_nothing_but_undecided_trials_a_series_ends_without_a_decision():
    state = SHORT.begin()
    while not state.is_over:
        state = state.after(success=None)
    assert state.decision is Decision.CONTINUE
    assert (state.at_best, state.at_worst) == (Decision.ACCEPT, Decision.REJECT)
    assert state.successes_to_accept() == 0


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"good": 0.2, "bad": 0.1}, "good < bad"),
        ({"good": 0.01, "bad": 0.1, "alpha": 0.7}, "alpha"),
        ({"good": 0.01, "bad": 0.1, "most": 50}, "both its size"),
        ({"good": 0.01, "bad": 0.1, "most": 5, "acceptable": 5}, "no plan"),
    ],
)
def test_no_such_test(wrong, match):
    with pytest.raises(ValueError, match=match):
        SequentialTest(**wrong)


def test_no_such_rate_or_share():
    with pytest.raises(ValueError, match="failure rate"):
        evaluate(HANDBOOK, 1.5)
    with pytest.raises(ValueError, match="share"):
        evaluate(HANDBOOK, 0.1).quantile(1.0)
