"""Exact binomial bounds, success runs and the judgement of a rate."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from hil.core.measure import Outcome
from hil.core.verdict import Verdict
from hil.verdicts.samples import (
    RateTarget,
    chance_to_see,
    demonstrated,
    interval,
    judge_rate,
    lower_bound,
    trials_without_failure,
    upper_bound,
)

sample = st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
confidence = st.floats(0.5, 0.999)


@pytest.mark.parametrize(
    ("successes", "low", "high"),
    [
        (0, 0.0, 0.308497),
        (1, 0.002529, 0.445016),
        (5, 0.187086, 0.812914),
        (9, 0.554984, 0.997471),
        (10, 0.691503, 1.0),
    ],
)  # Clopper-Pearson 95 %, n = 10 (computed)
def test_clopper_pearson_ten_trials(successes, low, high):
    assert interval(successes, 10, 0.95) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ],
)  # Newcombe 1998, Stat. Med. 17:857, table I, exact (numbers computed, the place from memory)
def test_newcombe_table(successes, trials, low, high):
    assert interval(successes, trials, 0.95) == pytest.approx((low, high), abs=5e-5)


def test_zero_failure_bound():
    # One-sided 90 % upper bound of 0 of 22 (computed); one trial fewer misses 10 %.
    assert upper_bound(0, 22, 0.90) == pytest.approx(0.099372, abs=1e-6)
    assert upper_bound(0, 21, 0.90) > 0.1


@pytest.mark.parametrize(
    ("at_least", "confidence", "trials"),
    [
        (0.80, 0.80, 8),
        (0.80, 0.90, 11),
        (0.90, 0.80, 16),
        (0.90, 0.90, 22),
        (0.90, 0.95, 29),
        (0.90, 0.99, 44),
        (0.95, 0.90, 45),
        (0.95, 0.95, 59),
        (0.95, 0.99, 90),
        (0.99, 0.90, 230),
        (0.99, 0.95, 299),
        (0.99, 0.99, 459),
        (0.999, 0.95, 2995),
    ],
)  # n = ceil(ln(1-C)/ln R), binomial zero-failure (computed)
def test_success_run_sizes(at_least, confidence, trials):
    assert trials_without_failure(at_least, confidence) == trials


@given(st.floats(0.01, 0.999), st.floats(0.01, 0.999))
def test_success_run_is_the_smallest_that_shows_it(at_least, confidence):
    trials = trials_without_failure(at_least, confidence)
    slack = 1e-9
    assert at_least**trials <= 1.0 - confidence + slack
    if trials > 1:
        assert at_least ** (trials - 1) >= 1.0 - confidence - slack


@given(sample, confidence)
def test_bounds_are_those_of_scipy(numbers, confidence):
    successes, trials = numbers
    greater = binomtest(successes, trials, alternative="greater")
    less = binomtest(successes, trials, alternative="less")
    low = greater.proportion_ci(confidence, method="exact").low
    high = less.proportion_ci(confidence, method="exact").high
    assert lower_bound(successes, trials, confidence) == pytest.approx(low, abs=1e-9)
    assert upper_bound(successes, trials, confidence) == pytest.approx(high, abs=1e-9)


@given(sample, confidence)
def test_lower_bound_solves_its_definition(numbers, confidence):
    successes, trials = numbers
    bound = lower_bound(successes, trials, confidence)
    if successes:
        tail = binom.sf(successes - 1, trials, bound)
        assert tail == pytest.approx(1.0 - confidence, abs=1e-6)
    else:
        assert bound == 0.0


@given(sample, confidence)
def test_bounds_enclose_the_rate_and_are_monotone(numbers, confidence):
    successes, trials = numbers
    low, high = lower_bound(successes, trials, confidence), upper_bound(*numbers, confidence)
    assert low <= successes / trials <= high
    if successes < trials:
        assert lower_bound(successes + 1, trials, confidence) > low
    assert lower_bound(successes, trials + 1, confidence) <= low


@given(sample, st.floats(0.01, 0.99))
def test_demonstrated_confidence_is_the_inverse_of_the_bound(numbers, at_least):
    successes, trials = numbers
    shown = demonstrated(successes, trials, at_least)
    assert 0.0 <= shown <= 1.0
    if 1e-6 < shown < 1 - 1e-6:
        assert lower_bound(successes, trials, shown) == pytest.approx(at_least, abs=1e-6)


@pytest.mark.parametrize(("successes", "trials"), [(-1, 5), (6, 5), (0, 0)])
def test_no_sample(successes, trials):
    for function in (lower_bound, upper_bound, demonstrated):
        with pytest.raises(ValueError, match="no sample"):
            function(successes, trials, 0.95)


@pytest.mark.parametrize(("at_least", "confidence"), [(0, 95), (100, 95), (95, 100), (95, 0)])
def test_targets_nothing_can_show(at_least, confidence):
    with pytest.raises(ValueError, match="above 0 % and below 100 %"):
        RateTarget(at_least, confidence)


@pytest.mark.parametrize(("at_least", "confidence"), [(0.0, 0.9), (1.0, 0.9), (0.9, 1.0)])
def test_no_sample_size(at_least, confidence):
    with pytest.raises(ValueError, match="no sample size"):
        trials_without_failure(at_least, confidence)


def test_rate_shown():
    measure, judgement = judge_rate(RateTarget(95.0, 95.0), 59, 59)
    assert judgement.verdict is Verdict.PASS
    assert measure.value == 100.0
    assert judgement.conformance == pytest.approx(1 - 0.95**59)
    assert judgement.reason == (
        "success rate: 59 of 59 succeeded; with 95 % confidence the rate is at least 95.05 %, "
        "the 95 % asked for is shown"
    )


def test_one_failure_in_fiftynine_shows_nothing_yet():
    _measure, judgement = judge_rate(RateTarget(95.0, 95.0), 58, 59)
    assert judgement.verdict is Verdict.UNDECIDED
    assert "neither shown nor ruled out" in judgement.reason
    assert "59 trials" in judgement.reason


def test_rate_ruled_out():
    measure, judgement = judge_rate(RateTarget(95.0, 95.0), 10, 20)
    assert judgement.verdict is Verdict.FAIL
    assert (measure.value, measure.resolution) == (50.0, 5.0)  # one of twenty more or less
    assert judgement.margin == pytest.approx(-45.0)
    assert "below the 95 % asked for" in judgement.reason


def test_no_trial_is_undecided():
    measure, judgement = judge_rate(RateTarget(95.0), 0, 0)
    assert measure.outcome is Outcome.TOO_FEW_SAMPLES
    assert judgement.verdict is Verdict.UNDECIDED
    assert judgement.margin is None


@given(sample, st.floats(1, 99), st.floats(50, 99.9))
def test_rate_verdicts_follow_the_bounds(numbers, at_least, confidence):
    successes, trials = numbers
    measure, judgement = judge_rate(RateTarget(at_least, confidence), successes, trials)
    assert measure.unit == judgement.band.unit == "%"
    assert math.isfinite(measure.uncertainty)
    if judgement.verdict is Verdict.PASS:
        assert successes / trials * 100 >= at_least - 1e-6
    if judgement.verdict is Verdict.FAIL:
        assert successes / trials * 100 < at_least


@given(st.integers(1, 200), st.floats(1, 99))
def test_a_further_failure_never_helps(trials, at_least):
    order = [Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL]
    target = RateTarget(at_least)
    ranks = [
        order.index(judge_rate(target, trials - failed, trials)[1].verdict)
        for failed in range(trials + 1)
    ]
    assert ranks == sorted(ranks)


parts = st.tuples(st.integers(0, 150), st.integers(0, 50), st.integers(0, 150)).filter(
    lambda found: sum(found) > 0
)


@given(parts, st.floats(1.0, 99.0), st.floats(50.0, 99.9))
def test_undecided_trials_decide_only_what_they_cannot_change(found, at_least, confidence):
    """A verdict stands if and only if it is the same, whatever the undecided trials were."""
    won, lost, undecided = found
    trials, target = sum(found), RateTarget(at_least, confidence)
    if won + lost == 0:
        verdict = judge_rate(target, won, trials, undecided)[1].verdict
        assert verdict is Verdict.UNDECIDED
        return
    measure, judgement = judge_rate(target, won, trials, undecided)
    worst = judge_rate(target, won, trials)[1].verdict
    best = judge_rate(target, won + undecided, trials)[1].verdict
    expected = worst if worst is Verdict.PASS else best if best is Verdict.FAIL else None
    assert judgement.verdict is (expected or Verdict.UNDECIDED)
    assert measure.value == pytest.approx(100.0 * won / (won + lost))


def test_undecided_trials_are_told_apart():
    measure, judgement = judge_rate(RateTarget(97.0, 95.0), 27, 120, 93)
    assert judgement.verdict is Verdict.UNDECIDED
    assert measure.detail == "27 of 120, 0 failed, 93 undecided"
    assert "27 of 120 succeeded, 0 failed, 93 undecided; with 95 %" in judgement.reason


def test_trials_none_of_which_is_decided_show_nothing():
    measure, judgement = judge_rate(RateTarget(95.0, 95.0), 0, 5, 5)
    assert measure.outcome is Outcome.TOO_FEW_SAMPLES
    assert judgement.verdict is Verdict.UNDECIDED
    assert "no trial was decided" in judgement.reason


def test_more_successes_than_decided_trials_are_no_sample():
    with pytest.raises(ValueError, match="8 successes of 7 trials"):
        judge_rate(RateTarget(95.0, 95.0), 8, 10, 3)


@pytest.mark.parametrize(
    ("trials", "chance"), [(20, 0.3324), (59, 0.6964), (149, 0.9507), (1, 0.02)]
)
def test_the_chance_to_see_a_start_in_fifty_that_fails(trials, chance):
    """1 - 0.98^n, worked out by hand to four digits."""
    assert chance_to_see(0.02, trials) == pytest.approx(chance, abs=5e-5)
