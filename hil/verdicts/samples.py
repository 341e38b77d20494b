"""Repeated trials judged as a sample: k successes of n, with exact binomial bounds.

A later success never erases a failure: every trial counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import betainc, betaincinv

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.core.verdict import Judgement, Verdict


@dataclass(frozen=True, slots=True)
class RateTarget:
    """A share of successes to be demonstrated.

    Parameters
    ----------
    at_least : reliability R, %, above 0 and below 100.
    confidence : C, %, above 0 and below 100.

    Raises
    ------
    ValueError
        Outside these ranges. No finite sample demonstrates 100 %.
    """

    at_least: float
    confidence: float = 95.0

    def __post_init__(self) -> None:
        for name, value in (("at-least", self.at_least), ("confidence", self.confidence)):
            if not 0.0 < value < 100.0:
                raise ValueError(f"{name}: expected above 0 % and below 100 %, found {value:g} %")


def _check(successes: int, trials: int) -> None:
    if trials < 1 or not 0 <= successes <= trials:
        raise ValueError(f"{successes} successes of {trials} trials is no sample")


def lower_bound(successes: int, trials: int, confidence: float) -> float:
    """One-sided Clopper-Pearson lower bound of the success probability.

    Parameters
    ----------
    successes, trials : whole numbers, ``0 <= successes <= trials``, at least one trial.
    confidence : fraction between 0 and 1.

    Returns
    -------
    float
        The largest p for which `successes` or more would still happen with a probability of at
        most ``1 - confidence``; 0 without a success.

    Raises
    ------
    ValueError
        If the numbers are no sample.
    """
    _check(successes, trials)
    if successes == 0:
        return 0.0
    return float(betaincinv(successes, trials - successes + 1, 1.0 - confidence))


def upper_bound(successes: int, trials: int, confidence: float) -> float:
    """One-sided Clopper-Pearson upper bound of the success probability; see `lower_bound`."""
    _check(successes, trials)
    return 1.0 - lower_bound(trials - successes, trials, confidence)


def interval(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Two-sided Clopper-Pearson interval: half of ``1 - confidence`` on either side.

    Raises
    ------
    ValueError
        If the numbers are no sample.
    """
    one_sided = 0.5 * (1.0 + confidence)
    return lower_bound(successes, trials, one_sided), upper_bound(successes, trials, one_sided)


def chance_to_see(rate: float, trials: int) -> float:
    """Probability of a failure in `trials` that fail at `rate` each: 1 - (1 - rate)^trials."""
    return 1.0 - (1.0 - rate) ** max(0, trials)


def trials_without_failure(at_least: float, confidence: float) -> int:
    """Size of a success run: trials that must all succeed to show R with confidence C.

    n = ceil(ln(1 - C)/ln R), the binomial zero-failure plan (not the Bayesian form with a uniform
    prior, which needs one fewer). Both arguments are fractions: R 0.99 at C 0.95 needs 299 trials.

    Raises
    ------
    ValueError
        Unless both lie between 0 and 1.
    """
    if not (0.0 < at_least < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError(f"no sample size for R {at_least!r} at C {confidence!r}")
    trials = math.ceil(math.log1p(-confidence) / math.log(at_least))
    # Rounding in the logarithms may put an exact answer one off; the condition itself decides.
    while trials > 1 and at_least ** (trials - 1) <= 1.0 - confidence:
        trials -= 1
    return max(1, trials)


def judge_rate(
    target: RateTarget, successes: int, trials: int, undecided: int = 0
) -> tuple[Measure, Judgement]:
    """Hold `successes` of `trials` against a rate to be demonstrated.

    Pass if the lower bound at the stated confidence reaches the target, fail if the upper bound
    lies below it, undecided between the two (more trials would tell) and without any trial.

    Parameters
    ----------
    undecided : trials of which nobody can say whether they succeeded. The lower bound takes them
        as failures, the upper one as successes: what they might have been decides nothing.

    Returns
    -------
    tuple[Measure, Judgement]
        The rate among the decided trials in % as the measure ``success-rate``, and its judgement.
        The conformance is the confidence at which the sample shows the target.

    Raises
    ------
    ValueError
        If the numbers are no sample.
    """
    band = Band("success-rate", target.at_least, None, "%")
    decided = trials - undecided
    if decided == 0:
        why = "no trial was decided" if trials else "no trial was run"
        nothing = Measure.absent("success-rate", "%", Outcome.TOO_FEW_SAMPLES, why)
        return nothing, Judgement(
            band, nothing, Verdict.UNDECIDED, f"success rate: {why}, so nothing is shown"
        )
    _check(successes, decided)
    wanted, confidence = target.at_least / 100.0, target.confidence / 100.0
    rate = successes / decided
    low, high = (
        lower_bound(successes, trials, confidence),
        upper_bound(successes + undecided, trials, confidence),
    )
    told = f"{successes} of {trials}"
    apart = f", {decided - successes} failed, {undecided} undecided" if undecided else ""
    measure = Measure(
        "success-rate",
        "%",
        100.0 * rate,
        100.0 * math.sqrt(rate * (1.0 - rate) / decided),
        100.0 / decided,
        detail=told + apart,
    )
    # The bound is compared with a hair of slack: 59 of 59 shows exactly 95 % to be reached.
    slack = 1e-12
    if low >= wanted - slack:
        verdict = Verdict.PASS
        said = f"at least {100 * low:.2f} %, the {target.at_least:g} % asked for is shown"
    elif high < wanted:
        verdict = Verdict.FAIL
        said = f"at most {100 * high:.2f} %, below the {target.at_least:g} % asked for"
    else:
        verdict = Verdict.UNDECIDED
        enough = trials_without_failure(wanted, confidence)
        said = (
            f"somewhere from {100 * low:.2f} % to {100 * high:.2f} %: {target.at_least:g} % is "
            f"neither shown nor ruled out (without a failure it takes {enough} trials)"
        )
    reason = (
        f"success rate: {told} succeeded{apart}; with {target.confidence:g} % confidence "
        f"the rate is {said}"
    )
    return measure, Judgement(
        band, measure, verdict, reason, measure.value - target.at_least if measure.value is not None
        else None, demonstrated(successes, trials, wanted),
    )  # fmt: skip


def demonstrated(successes: int, trials: int, at_least: float) -> float:
    """Confidence (0 to 1) with which a sample shows a rate of `at_least` (a fraction).

    Raises
    ------
    ValueError
        If the numbers are no sample.
    """
    _check(successes, trials)
    if successes == 0:
        return 0.0
    return 1.0 - float(betainc(successes, trials - successes + 1, at_least))
