"""Sampling plans of fixed size: run n trials, accept with c failures or fewer.

`good` and `bad` are failure rates as fractions. The risks are those of the trade: `alpha` is the
producer's risk (a firmware as good as `good` is rejected), `beta` the consumer's (one as bad as
`bad` is accepted).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.special import bdtr, bdtri

from hil.verdicts.samples import trials_without_failure, upper_bound

FloatArray = npt.NDArray[np.float64]

#: No plan is searched for beyond this many trials: years of bench time.
MOST_TRIALS = 1_000_000


class Convention(StrEnum):
    """How many successes in a row show a reliability R with confidence C; two usages exist."""

    ZERO_FAILURE = "binomial, zero failures"  # R^n <= 1 - C
    UNIFORM_PRIOR = "Bayes, uniform prior"  # R^(n+1) <= 1 - C: one trial fewer


@dataclass(frozen=True, slots=True)
class FixedPlan:
    """Accept if `trials` trials bring `acceptable` failures or fewer.

    Raises
    ------
    ValueError
        Unless ``0 <= acceptable < trials``.
    """

    trials: int
    acceptable: int

    def __post_init__(self) -> None:
        if not 0 <= self.acceptable < self.trials:
            raise ValueError(f"no plan accepts {self.acceptable} failures of {self.trials} trials")

    def acceptance(self, rate: float) -> float:
        """Probability of acceptance at a true failure rate: sum of binomial terms up to c."""
        return float(self.characteristic(np.array([rate]))[0])

    def characteristic(self, rates: FloatArray) -> FloatArray:
        """Operating characteristic: acceptance at each failure rate; same shape as `rates`.

        Raises
        ------
        ValueError
            If a rate lies outside 0 to 1.
        """
        found = np.asarray(rates, dtype=np.float64)
        if not bool(np.all((found >= 0.0) & (found <= 1.0))):
            raise ValueError("failure rates lie between 0 and 1")
        return np.asarray(bdtr(float(self.acceptable), self.trials, found), dtype=np.float64)

    def rate_accepted(self, probability: float) -> float:
        """The true failure rate at which the plan accepts with that probability.

        Raises
        ------
        ValueError
            Unless the probability lies between 0 and 1.
        """
        if not 0.0 < probability < 1.0:
            raise ValueError(f"a probability between 0 and 1 was expected, found {probability!r}")
        return float(bdtri(float(self.acceptable), self.trials, probability))

    def shown(self, confidence: float) -> float:
        """Largest failure rate an acceptance leaves possible, one-sided, exact (fraction)."""
        return upper_bound(self.acceptable, self.trials, confidence)


def check_risks(good: float, bad: float, alpha: float, beta: float) -> None:
    """Refuse rates and risks that no plan can have.

    Raises
    ------
    ValueError
        Unless ``0 < good < bad < 1`` and the risks lie between 0 and 0.5.
    """
    if not 0.0 < good < bad < 1.0:
        raise ValueError(f"expected 0 < good < bad < 1 as failure rates, found {good!r}, {bad!r}")
    for name, risk in (("alpha", alpha), ("beta", beta)):
        if not 0.0 < risk < 0.5:
            raise ValueError(f"{name}: expected a risk above 0 and below 0.5, found {risk!r}")


def smallest_plan(good: float, bad: float, alpha: float, beta: float) -> FixedPlan:
    """The plan with the fewest trials that keeps both risks.

    For each c the least n with P(accept | bad) <= beta is the only candidate; the first c for which
    it also has P(reject | good) <= alpha is the answer, since n grows with c.

    Raises
    ------
    ValueError
        For impossible rates or risks, or if it takes more than `MOST_TRIALS` trials.
    """
    check_risks(good, bad, alpha, beta)
    trials = 1
    for acceptable in range(MOST_TRIALS):
        trials = _least_trials(acceptable, max(trials, acceptable + 1), bad, beta)
        if trials > MOST_TRIALS:
            break
        plan = FixedPlan(trials, acceptable)
        if 1.0 - plan.acceptance(good) <= alpha:
            return plan
    raise ValueError(f"to part {good:g} from {bad:g} takes more than {MOST_TRIALS} trials")


def _least_trials(acceptable: int, start: int, bad: float, beta: float) -> int:
    high = start
    while high <= MOST_TRIALS and float(bdtr(float(acceptable), high, bad)) > beta:
        high *= 2
    low = start
    while low < high:
        middle = (low + high) // 2
        if float(bdtr(float(acceptable), middle, bad)) > beta:
            low = middle + 1
        else:
            high = middle
    return low


def success_run_trials(reliability: float, confidence: float, convention: Convention) -> int:
    """Successes in a row that show `reliability` with `confidence` (both fractions).

    Zero failures: n = ceil(ln(1 - C)/ln R). Uniform prior: one fewer, since its posterior after n
    successes is Beta(n + 1, 1). "99/95" is read both ways in the trade, so both are named here.

    Raises
    ------
    ValueError
        Unless both lie between 0 and 1.
    """
    trials = trials_without_failure(reliability, confidence)
    return trials if convention is Convention.ZERO_FAILURE else trials - 1


def success_run_reliability(trials: int, confidence: float, convention: Convention) -> float:
    """Reliability (fraction) that `trials` successes in a row show: (1 - C)^(1/n) or ^(1/(n+1)).

    Raises
    ------
    ValueError
        For less than one trial or a confidence that is not between 0 and 1.
    """
    if trials < 1 or not 0.0 < confidence < 1.0:
        raise ValueError(f"{trials} trials at confidence {confidence!r} show nothing")
    power = trials if convention is Convention.ZERO_FAILURE else trials + 1
    return math.exp(math.log1p(-confidence) / power)
