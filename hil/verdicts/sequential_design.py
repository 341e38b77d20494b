"""Choosing a sequential test, and what it saves against the fixed plan of the same risks."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from hil.verdicts.fixed_plans import FixedPlan, smallest_plan
from hil.verdicts.sequential import Decision, Progress, SequentialTest, evaluate

#: A test that keeps its risks exactly may take this many times the trials of the fixed plan.
LONGEST = 1.5
_HALVINGS = 8


def truncated(good: float, bad: float, alpha: float = 0.05, beta: float = 0.05) -> SequentialTest:
    """Wald's test cut off at the size of the fixed plan of the same nominal risks.

    It never takes more trials than that plan. Cutting off raises the risks a little above the
    nominal ones; `evaluate` at `good` and `bad` gives them exactly.

    Raises
    ------
    ValueError
        See `smallest_plan`.
    """
    plan = smallest_plan(good, bad, alpha, beta)
    return SequentialTest(good, bad, alpha, beta, plan.trials, plan.acceptable)


def design(good: float, bad: float, alpha: float = 0.05, beta: float = 0.05) -> SequentialTest:
    """A truncated test whose exact risks are at most `alpha` and `beta`.

    It may run to `LONGEST` times the size of the fixed plan (which then is rare). The nominal
    risks that place Wald's lines are moved as near to each other as the exact risks allow, by
    bisection, since lines on whole numbers keep too much or too little.

    Raises
    ------
    ValueError
        See `smallest_plan`.
    """
    plan = smallest_plan(good, bad, alpha, beta)
    most = math.ceil(LONGEST * plan.trials)
    slope = SequentialTest(good, bad, alpha, beta).slope
    acceptable = max(plan.acceptable, int(slope * most))

    def placed(a: float, b: float) -> SequentialTest:
        return SequentialTest(good, bad, a, b, most, acceptable)

    a, b = alpha, beta
    for _ in range(2):
        b = _largest(beta, lambda x, a=a: evaluate(placed(a, x), bad).accept <= beta)  # type: ignore[misc]
        a = _largest(alpha, lambda x, b=b: evaluate(placed(x, b), good).reject <= alpha)  # type: ignore[misc]
    found = placed(a, b)
    if evaluate(found, good).reject > alpha or evaluate(found, bad).accept > beta:
        # No lines keep both risks (the fixed plan itself has next to nothing to spare): stop early
        # only where the rest of the fixed plan cannot change the outcome.
        return SequentialTest(good, bad, 1e-12, 1e-12, plan.trials, plan.acceptable)
    return found


def _largest(risk: float, keeps: Callable[[float], bool]) -> float:
    """The largest nominal risk from a twentieth to four times `risk` for which `keeps` holds."""
    low, high = math.log(risk / 20.0), math.log(min(0.45, 4.0 * risk))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if keeps(math.exp(middle)):
            low = middle
        else:
            high = middle
    return math.exp(low)


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a test will take at one true failure rate, against a fixed plan.

    Parameters
    ----------
    rate : true failure rate assumed.
    trials, seconds : expected number of trials and bench time.
    usual, most : trials within which it ends in 95 % of cases, and at the latest.
    fixed_trials, fixed_seconds : of the fixed plan, which runs to its end.
    saving : 1 - trials/fixed_trials; negative if the sequential test takes longer.
    accept : probability of acceptance.
    """

    rate: float
    trials: float
    seconds: float
    usual: int
    most: int
    fixed_trials: int
    fixed_seconds: float
    saving: float
    accept: float

    def __str__(self) -> str:
        return (
            f"at a failure rate of {100 * self.rate:g} %: {self.trials:.1f} trials "
            f"({self.seconds:.0f} s) expected, {self.usual} in 95 % of cases, against "
            f"{self.fixed_trials} ({self.fixed_seconds:.0f} s) of a fixed plan: "
            f"{100 * self.saving:.0f} % less"
        )


def forecast(
    test: SequentialTest, plan: FixedPlan, rate: float, seconds_per_trial: float
) -> Forecast:
    """Expected trials and bench time before the run, exactly (see `evaluate`).

    Parameters
    ----------
    plan : the fixed plan to compare with, as from `smallest_plan`.
    rate : true failure rate assumed.
    seconds_per_trial : bench time of one trial, s.

    Raises
    ------
    ValueError
        If the time is negative or the rate no probability.
    """
    if not 0.0 <= seconds_per_trial < math.inf:
        raise ValueError(f"bench time of a trial: expected seconds, found {seconds_per_trial!r}")
    found = evaluate(test, rate)
    return Forecast(
        rate=rate,
        trials=found.trials,
        seconds=found.trials * seconds_per_trial,
        usual=found.quantile(0.95),
        most=test.most if test.most is not None else len(found.ends),
        fixed_trials=plan.trials,
        fixed_seconds=plan.trials * seconds_per_trial,
        saving=1.0 - found.trials / plan.trials,
        accept=found.accept,
    )


@dataclass(frozen=True, slots=True)
class Saved:
    """What a test took, against a fixed plan.

    Parameters
    ----------
    trials, seconds : taken.
    fixed_trials, fixed_seconds : what the fixed plan would have taken at the same pace.
    saving : 1 - trials/fixed_trials.
    """

    trials: int
    seconds: float
    fixed_trials: int
    fixed_seconds: float
    saving: float

    def __str__(self) -> str:
        less = f"{abs(100 * self.saving):.0f} % {'less' if self.saving >= 0 else 'more'}"
        return (
            f"{self.trials} trials in {self.seconds:.0f} s; a fixed plan of equal risks takes "
            f"{self.fixed_trials} in {self.fixed_seconds:.0f} s: {less}"
        )


def saved(progress: Progress, plan: FixedPlan, seconds: float) -> Saved:
    """What the trials so far saved, told after the run.

    Parameters
    ----------
    seconds : bench time they took.

    Raises
    ------
    ValueError
        If there was no trial, or the test has not decided yet.
    """
    if progress.trials < 1 or progress.decision is Decision.CONTINUE:
        raise ValueError("the test has not decided: there is nothing to compare yet")
    pace = seconds / progress.trials
    return Saved(
        trials=progress.trials,
        seconds=seconds,
        fixed_trials=plan.trials,
        fixed_seconds=plan.trials * pace,
        saving=1.0 - progress.trials / plan.trials,
    )
