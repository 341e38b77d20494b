"""Verdicts, and how several become one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from hil.core.band import Band
from hil.core.measure import Measure


class Verdict(StrEnum):
    """Judgement of a band or an item. Only FAIL blames the firmware."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"
    BENCH_FAULT = "bench-fault"
    NOT_RUN = "not-run"


#: Worst first: a failed band stays a fail whatever else happened in the item.
SEVERITY = (
    Verdict.FAIL,
    Verdict.BENCH_FAULT,
    Verdict.UNDECIDED,
    Verdict.NOT_RUN,
    Verdict.PASS,
)


@dataclass(frozen=True, slots=True)
class Judgement:
    """One measure held against its band.

    Parameters
    ----------
    margin : distance to the nearest limit in the unit of the measure, negative outside, None
        without a value.
    conformance : probability that the true value lies inside the band, or None.
    reason : one sentence for people, naming value, band and rule.
    repeat : number of the repetition the measure belongs to, from 1; 0 for the item as a whole.
    """

    band: Band
    measure: Measure
    verdict: Verdict
    reason: str
    margin: float | None = None
    conformance: float | None = None
    repeat: int = 0

    @property
    def consumer_risk(self) -> float | None:
        """Specific consumer's risk: probability that what passes does not conform.

        None without a probability of conformance. Source: JCGM 106:2012, clause 9.
        """
        return None if self.conformance is None else 1.0 - self.conformance

    @property
    def producer_risk(self) -> float | None:
        """Specific producer's risk: probability that what fails does conform (same source)."""
        return self.conformance


def combine(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of several verdicts; NOT_RUN if there are none."""
    found = set(verdicts)
    for verdict in SEVERITY:
        if verdict in found:
            return verdict
    return Verdict.NOT_RUN


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why an outcome need not be the firmware's: what else may be wrong, and what tells so."""

    what: str
    text: str


def firmware_or(doubts: Iterable[Doubt]) -> str:
    """Whose a fail is, in words: the firmware's, or what else is in doubt."""
    return " or ".join(dict.fromkeys(("firmware", *(doubt.what for doubt in doubts))))


def with_doubts(reason: str, doubts: Iterable[Doubt]) -> str:
    """The reason, and what tells that it may be another one."""
    return "; ".join((reason, *(doubt.text for doubt in doubts)))


def blamed(verdict: Verdict, reason: str, doubts: Sequence[Doubt] = ()) -> str:
    """The reason of a verdict of bands, with doubts; of a fail with whose it is in front."""
    said = with_doubts(reason, doubts)
    return f"{firmware_or(doubts)}: {said}" if verdict is Verdict.FAIL else said
