"""A series of trials that stops once it has shown enough: its announcement and its verdict."""

from __future__ import annotations

from dataclasses import dataclass

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.core.verdict import Judgement, Verdict
from hil.verdicts.fixed_plans import FixedPlan, smallest_plan
from hil.verdicts.samples import interval
from hil.verdicts.sequential import Decision, Progress, SequentialTest
from hil.verdicts.sequential_design import design, forecast, saved

VERDICTS = {
    Decision.ACCEPT: Verdict.PASS,
    Decision.REJECT: Verdict.FAIL,
    Decision.CONTINUE: Verdict.UNDECIDED,
}


@dataclass(frozen=True, slots=True)
class Series:
    """A sequential test with the risks it was asked to keep, and the fixed plan of equal risks.

    Parameters
    ----------
    test : the test; its own alpha and beta only place its lines.
    fixed : what it is compared with.
    alpha, beta : risks of rejecting at the good rate and of accepting at the bad one.
    """

    test: SequentialTest
    fixed: FixedPlan
    alpha: float
    beta: float

    @classmethod
    def between(cls, good: float, bad: float, alpha: float, beta: float) -> Series:
        """A series that tells failure rates apart.

        Raises
        ------
        ValueError
            For rates or risks that no test can have.
        """
        return cls(
            design(good, bad, alpha, beta), smallest_plan(good, bad, alpha, beta), alpha, beta
        )

    @property
    def most(self) -> int:
        """Trials after which it has decided at the latest."""
        return self.test.most or self.fixed.trials


def announce(series: Series, seconds_per_trial: float = 0.0) -> str:
    """What to expect of a series, in one sentence, before it runs.

    Parameters
    ----------
    seconds_per_trial : bench time of one trial, s; 0 while it is not known.
    """
    test = series.test
    healthy = forecast(test, series.fixed, test.good, seconds_per_trial)
    time = ""
    if seconds_per_trial > 0.0:
        time = f" (about {healthy.seconds:.0f} s against {healthy.fixed_seconds:.0f} s)"
    return (
        f"sequential test of the failure rate, {100 * test.good:g} % against "
        f"{100 * test.bad:g} %: about {healthy.trials:.0f} trials if it is "
        f"{100 * test.good:g} %, at most {healthy.most}; a fixed plan of the same risks takes "
        f"{series.fixed.trials}{time}"
    )


def judge_series(series: Series, progress: Progress, seconds: float) -> tuple[Measure, Judgement]:
    """The failure rate seen, in %, and what the series has shown.

    Acceptance is a pass, rejection a fail; a series that ended before its decision is undecided.
    The rate is that among the trials of which it is known whether they succeeded.

    Parameters
    ----------
    seconds : bench time the trials took.
    """
    test, trials, failures = series.test, progress.trials, progress.failures
    band = Band("failure-rate", None, 100.0 * test.bad, "%")
    verdict = VERDICTS[progress.decision]
    decided = trials - progress.undecided
    if decided == 0:
        why = "no trial was decided" if trials else "no trial was run"
        nothing = Measure.absent("failure-rate", "%", Outcome.TOO_FEW_SAMPLES, why)
        return nothing, Judgement(band, nothing, verdict, f"failure rate: {why}")
    low, high = interval(decided - failures, decided, 0.95)
    share = f"{failures} of {trials}"
    apart = f", {progress.undecided} undecided" if progress.undecided else ""
    rate = Measure(
        "failure-rate",
        "%",
        100.0 * failures / decided,
        uncertainty=25.0 * (high - low),  # a quarter of the 95 % interval stands for one sigma
        resolution=100.0 / decided,
        detail=share + apart,
    )
    words = {
        Decision.ACCEPT: f"is shown to be below {100 * test.bad:g} %",
        Decision.REJECT: f"is shown to be above {100 * test.good:g} %",
        Decision.CONTINUE: "is not shown either way yet",
    }[progress.decision]
    reason = (
        f"failure rate {words}: {share} failed{apart} (sequential test, risks "
        f"{100 * series.alpha:.2g} % and {100 * series.beta:.2g} %)"
    )
    if progress.decision is not Decision.CONTINUE:
        told = saved(progress, series.fixed, seconds)
        reason += f"; a fixed plan takes {told.fixed_trials} trials, {told.fixed_seconds:.0f} s"
    return rate, Judgement(band, rate, verdict, reason, 100.0 * test.bad - (rate.value or 0.0))
