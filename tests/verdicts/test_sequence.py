"""Series that stop once they have decided."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.measure import Outcome
from hil.core.verdict import Verdict
from hil.verdicts.sequence import Series, announce, judge_series
from hil.verdicts.sequential import Decision
from hil.verdicts.sequential_design import forecast

SERIES = Series.between(0.02, 0.15, 0.05, 0.05)


def run(outcomes: list[bool]):
    """The state after outcomes, which must not go beyond the decision."""
    progress = SERIES.test.begin()
    for success in outcomes:
        progress = progress.after(success=success)
        if progress.decision is not Decision.CONTINUE:
            break
    return progress


def test_successes_in_a_row_pass_before_the_fixed_plan_would_end() -> None:
    progress = run([True] * SERIES.most)
    rate, judgement = judge_series(SERIES, progress, 2.0 * progress.trials)
    assert judgement.verdict is Verdict.PASS
    assert rate.value == 0.0
    assert progress.trials < SERIES.fixed.trials
    assert f"a fixed plan takes {SERIES.fixed.trials} trials" in judgement.reason
    assert f"{2 * SERIES.fixed.trials} s" in judgement.reason


def test_failures_in_a_row_fail_at_once() -> None:
    progress = run([False] * SERIES.most)
    rate, judgement = judge_series(SERIES, progress, 1.0)
    assert judgement.verdict is Verdict.FAIL
    assert rate.value == 100.0
    assert judgement.margin == pytest.approx(-85.0)
    assert "above 2 %" in judgement.reason


def test_an_interrupted_series_is_undecided_and_never_a_pass() -> None:
    progress = run([True, True, True])
    rate, judgement = judge_series(SERIES, progress, 1.0)
    assert judgement.verdict is Verdict.UNDECIDED
    assert rate.detail == "0 of 3"
    nothing, empty = judge_series(SERIES, SERIES.test.begin(), 0.0)
    assert nothing.outcome is Outcome.TOO_FEW_SAMPLES
    assert empty.verdict is Verdict.UNDECIDED


def test_undecided_trials_are_told_apart_and_fail_nothing() -> None:
    progress = SERIES.test.begin()
    for success in (True, None, None, True, None, False, None):
        progress = progress.after(success=success)
    rate, judgement = judge_series(SERIES, progress, 1.0)
    assert judgement.verdict is Verdict.UNDECIDED
    assert rate.detail == "1 of 7, 4 undecided"
    assert rate.value == pytest.approx(100.0 / 3.0)
    assert "1 of 7 failed, 4 undecided (sequential test" in judgement.reason


def test_a_series_of_nothing_but_undecided_trials_shows_nothing() -> None:
    progress = SERIES.test.begin()
    while not progress.is_over:
        progress = progress.after(success=None)
    rate, judgement = judge_series(SERIES, progress, 1.0)
    assert judgement.verdict is Verdict.UNDECIDED
    assert rate.outcome is Outcome.TOO_FEW_SAMPLES
    assert judgement.reason == "failure rate: no trial was decided"


def test_the_announcement_compares_with_the_fixed_plan() -> None:
    assert f"takes {SERIES.fixed.trials}" in announce(SERIES)
    assert f"at most {SERIES.most}" in announce(SERIES)
    assert " s against " not in announce(SERIES)
    assert " s against " in announce(SERIES, 2.0)


def test_rates_that_cannot_be_told_apart_are_refused() -> None:
    with pytest.raises(ValueError, match=r"0\.1"):
        Series.between(0.1, 0.1, 0.05, 0.05)


@given(st.lists(st.booleans(), min_size=SERIES.most, max_size=SERIES.most))
def test_every_series_decides_by_its_longest_and_agrees_with_its_verdict(
    outcomes: list[bool],
) -> None:
    progress = run(outcomes)
    assert progress.decision is not Decision.CONTINUE
    _, judgement = judge_series(SERIES, progress, 1.0)
    accepted = progress.decision is Decision.ACCEPT
    assert judgement.verdict is (Verdict.PASS if accepted else Verdict.FAIL)


def test_what_the_readme_says_of_starts_saved():
    """1 % against 5 % at risks of 5 %: exact expectations over true rates from 0.1 % to 30 %."""
    series = Series.between(0.01, 0.05, 0.05, 0.05)

    def saving(rate: float) -> int:
        return round(100.0 * forecast(series.test, series.fixed, rate, 1.0).saving)

    assert (series.fixed.trials, series.most) == (181, 272)
    assert (saving(0.01), saving(0.05)) == (40, 63)
    worst, at = min((saving(rate), rate) for rate in np.geomspace(0.001, 0.3, 60))
    assert worst == 28
    assert 0.01 < at < 0.05
