"""Wald's sequential test of a failure rate: stop as soon as the trials so far decide.

After n trials with d failures the test accepts if d <= s n - h1, rejects if d >= s n + h2 and goes
on between the two lines, where (Wald 1947, ch. 5; NIST e-Handbook 6.2.6)::

    k  = ln(p1/p0) + ln((1 - p0)/(1 - p1))
    h1 = ln((1 - alpha)/beta) / k,  h2 = ln((1 - beta)/alpha) / k,  s = ln((1 - p0)/(1 - p1)) / k

Wald's lines keep both risks only about, and his mean sample sizes are too low; so risks and sizes
are computed here exactly, by recursion over the number of failures. A test may be truncated: at
`most` trials it decides by whether there were more than `acceptable` failures, and it stops
earlier once the remaining trials cannot change that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from hil.verdicts.fixed_plans import FixedPlan, check_risks

FloatArray = npt.NDArray[np.float64]

#: An open-ended test is followed until less than this probability is left undecided.
NEGLIGIBLE = 1e-13
#: Numbers on a line are taken as reached within this much.
_SLACK = 1e-9


class Decision(StrEnum):
    """What to do after a trial."""

    CONTINUE = "continue"
    ACCEPT = "accept"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class SequentialTest:
    """A sequential test of a failure rate.

    Parameters
    ----------
    good, bad : failure rates p0 < p1 (fractions) that are to be told apart.
    alpha : nominal risk of rejecting at `good`.
    beta : nominal risk of accepting at `bad`.
    most, acceptable : truncation: at most so many trials, of which so many may fail; None for an
        open end.

    Raises
    ------
    ValueError
        For rates or risks no test can have, or half a truncation.
    """

    good: float
    bad: float
    alpha: float = 0.05
    beta: float = 0.05
    most: int | None = None
    acceptable: int | None = None

    def __post_init__(self) -> None:
        check_risks(self.good, self.bad, self.alpha, self.beta)
        if (self.most is None) is not (self.acceptable is None):
            raise ValueError("a truncated test needs both its size and its acceptable failures")
        if self.most is not None and self.acceptable is not None:
            FixedPlan(self.most, self.acceptable)

    @property
    def _scale(self) -> float:
        return math.log(self.bad / self.good) + math.log1p(-self.good) - math.log1p(-self.bad)

    @property
    def slope(self) -> float:
        """s: the failure rate at which neither decision comes near."""
        return (math.log1p(-self.good) - math.log1p(-self.bad)) / self._scale

    @property
    def accept_intercept(self) -> float:
        """h1."""
        return math.log((1.0 - self.alpha) / self.beta) / self._scale

    @property
    def reject_intercept(self) -> float:
        """h2."""
        return math.log((1.0 - self.beta) / self.alpha) / self._scale

    def accept_number(self, trials: int) -> int:
        """Most failures with which the test accepts after so many trials; -1 if with none."""
        number = math.floor(self.slope * trials - self.accept_intercept + _SLACK)
        if self.most is not None and self.acceptable is not None:
            # Even if all trials left were to fail, the end would accept.
            number = max(min(number, self.acceptable), self.acceptable - (self.most - trials))
        return max(-1, number)

    def reject_number(self, trials: int) -> int:
        """Fewest failures with which the test rejects; more than `trials` if it cannot yet."""
        number = math.ceil(self.slope * trials + self.reject_intercept - _SLACK)
        if self.acceptable is not None:
            number = min(number, self.acceptable + 1)
        return number

    def decide(self, trials: int, failures: int) -> Decision:
        """What to do after so many trials, if nothing was decided before."""
        if failures <= self.accept_number(trials):
            return Decision.ACCEPT
        if failures >= self.reject_number(trials):
            return Decision.REJECT
        return Decision.CONTINUE

    def begin(self) -> Progress:
        """The state before the first trial."""
        return Progress(self)


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a sequential test stands; a value that each trial turns into the next.

    A trial of which nobody can say whether it succeeded is undecided. The test decides what it
    would have decided whatever such trials were: it accepts as if all of them had failed, and
    rejects as if all had succeeded.
    """

    test: SequentialTest
    trials: int = 0
    failures: int = 0
    undecided: int = 0
    at_best: Decision = Decision.CONTINUE  # if every undecided trial had succeeded
    at_worst: Decision = Decision.CONTINUE  # if every undecided trial had failed

    @property
    def decision(self) -> Decision:
        """What the test has decided, or to go on."""
        if self.at_worst is Decision.ACCEPT:
            return Decision.ACCEPT
        return Decision.REJECT if self.at_best is Decision.REJECT else Decision.CONTINUE

    @property
    def is_over(self) -> bool:
        """Whether no further trial can change anything: decided, or what it came to hangs on
        undecided trials alone.
        """
        return Decision.CONTINUE not in (self.at_best, self.at_worst) or (
            self.decision is not Decision.CONTINUE
        )

    def after(self, *, success: bool | None) -> Progress:
        """The state after one more trial; None: nobody can say whether it succeeded.

        Raises
        ------
        ValueError
            If the test has decided: a trial after the decision must not change it.
        """
        if self.decision is not Decision.CONTINUE:
            raise ValueError(f"the test decided after {self.trials} trials: {self.decision.value}")
        trials, failures = self.trials + 1, self.failures + (success is False)
        undecided = self.undecided + (success is None)
        best, worst = self.at_best, self.at_worst
        if best is Decision.CONTINUE:
            best = self.test.decide(trials, failures)
        if worst is Decision.CONTINUE:
            worst = self.test.decide(trials, failures + undecided)
        return replace(
            self,
            trials=trials,
            failures=failures,
            undecided=undecided,
            at_best=best,
            at_worst=worst,
        )

    def successes_to_accept(self) -> int:
        """Successes in a row that would end the test with acceptance; 0 if none can any more."""
        if self.at_worst is not Decision.CONTINUE:
            return 0
        more, failures = 1, self.failures + self.undecided
        while self.test.decide(self.trials + more, failures) is not Decision.ACCEPT:
            more += 1
        return more


@dataclass(frozen=True, slots=True, eq=False)
class Performance:
    """What a test does at one true failure rate, exactly.

    Parameters
    ----------
    rate : the true failure rate.
    accept, reject : probabilities of the two decisions; they add up to 1 within 1e-12.
    trials : expected number of trials.
    deviation : standard deviation of the number of trials.
    ends : shape (n,): probability that the test ends with trial 1, 2, ... n.
    """

    rate: float
    accept: float
    reject: float
    trials: float
    deviation: float
    ends: FloatArray

    def quantile(self, share: float) -> int:
        """Number of trials within which the test ends with that probability.

        Raises
        ------
        ValueError
            Unless `share` is between 0 and 1.
        """
        if not 0.0 < share < 1.0:
            raise ValueError(f"expected a share between 0 and 1, found {share!r}")
        return int(np.searchsorted(np.cumsum(self.ends), share - 1e-12)) + 1


def evaluate(test: SequentialTest, rate: float) -> Performance:
    """Exact risks and mean number of trials at a true failure rate.

    Recursion: the probability of d failures after n trials without a decision is
    P(n, d) = P(n-1, d) (1 - p) + P(n-1, d-1) p; what falls on or beyond a line leaves.

    Raises
    ------
    ValueError
        Unless the rate lies between 0 and 1.
    """
    if not 0.0 <= rate <= 1.0:
        raise ValueError(f"a failure rate lies between 0 and 1, found {rate!r}")
    going = np.array([1.0])
    accepted, rejected = 0.0, 0.0
    ends: list[float] = []
    while going.sum() > NEGLIGIBLE:
        trials = len(ends) + 1
        ahead = np.zeros(going.size + 1)
        ahead[:-1] = going * (1.0 - rate)
        ahead[1:] += going * rate
        accept_to, reject_from = test.accept_number(trials) + 1, test.reject_number(trials)
        passed, failed = float(ahead[:accept_to].sum()), float(ahead[reject_from:].sum())
        ahead[:accept_to] = 0.0
        going = ahead[:reject_from]
        accepted, rejected = accepted + passed, rejected + failed
        ends.append(passed + failed)
    counts = np.arange(1.0, len(ends) + 1.0)
    spread = np.asarray(ends)
    mean = float(np.dot(counts, spread))
    deviation = math.sqrt(max(0.0, float(np.dot((counts - mean) ** 2, spread))))
    return Performance(rate, accepted, rejected, mean, deviation, spread)
