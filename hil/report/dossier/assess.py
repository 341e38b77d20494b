"""A requirement held against its evidence: failed, not covered, undecided, covered.

A fail stays a fail: no later pass, waiver or doubt about the run takes it away. Missing evidence,
and evidence in doubt, never covers anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from hil.core.verdict import Judgement, Verdict
from hil.plan.requirements import Kind, Requirement
from hil.report.dossier.evidence import (
    SAYS_NOTHING,
    Piece,
    all_told,
    count,
    missing_measures,
    pieces,
)
from hil.report.dossier.planned import Planned, belongs, missing, told, without_partner
from hil.report.dossier.runs import RunFacts, boards_of
from hil.report.items import Standing
from hil.verdicts.moved import share_left
from hil.verdicts.samples import demonstrated, judge_rate, lower_bound

ENOUGH: Kind = "simulated-is-enough"


class Status(StrEnum):
    """What became of a requirement, worst first."""

    FAILED = "failed"
    NOT_COVERED = "not covered"
    UNDECIDED = "undecided"
    COVERED = "covered"


@dataclass(frozen=True, slots=True)
class SampleShown:
    """What a sample shows against what is claimed of it.

    Parameters
    ----------
    claimed, shown : in words.
    undecided : trials of which nobody can say whether they succeeded; the others that did not
        succeed have failed.
    low : one-sided lower bound of the share of successes at the claimed confidence, %, or None.
    confidence_shown : confidence with which the claimed share is shown, %, or None.
    verdict : pass: as claimed; fail: the claimed share is ruled out; undecided: not enough.
    """

    evidence: str  # bench, simulated
    trials: int
    successes: int
    undecided: int
    boards: str
    claimed: str
    shown: str
    low: float | None
    confidence_shown: float | None
    verdict: Verdict

    @property
    def failures(self) -> int:
        """Trials that failed."""
        return self.trials - self.successes - self.undecided


@dataclass(frozen=True, slots=True)
class Assessment:
    """A requirement, its evidence, and what follows.

    Parameters
    ----------
    reasons : what decided the status, most important first.
    pieces : the evidence that counts; `set_aside`: simulated, where the bench is asked for.
    samples : claimed sample against the shown one, bench and simulated each on its own.
    nearest : the judgement with the smallest share of its band left, and that share in %.
    missing : planned items that would be evidence for it and are in no run that counts.
    """

    requirement: Requirement
    kind: Kind
    status: Status
    reasons: tuple[str, ...]
    pieces: tuple[Piece, ...]
    set_aside: tuple[Piece, ...]
    samples: tuple[SampleShown, ...]
    nearest: tuple[Judgement, float] | None
    missing: tuple[Planned, ...] = ()

    @property
    def simulated(self) -> bool:
        """Whether any evidence that counts is simulated."""
        return any(piece.run.simulated for piece in self.pieces)


def assess(requirement: Requirement, kind: Kind, runs: Sequence[RunFacts]) -> Assessment:
    """Hold `requirement` against all runs; `kind` says whether simulated evidence is enough."""
    found = pieces(requirement, runs)
    counted = tuple(p for p in found if kind == ENOUGH or not p.run.simulated)
    aside = tuple(p for p in found if p not in counted)
    samples = _samples(requirement, counted)
    counting = [run for run in runs if kind == ENOUGH or not run.simulated]
    lacking = _missing(requirement, counting)
    alone = without_partner(
        [one for run in counting for one in run.planned],
        [(piece.plan, piece.item.item) for piece in counted],
        [result for run in counting for result in run.record.results],
    )
    status, reasons = _status(requirement, counted, aside, samples, lacking, tuple(alone))
    return Assessment(
        requirement, kind, status, tuple(reasons), counted, aside, samples, _nearest(counted),
        lacking,
    )  # fmt: skip


def _missing(requirement: Requirement, runs: Sequence[RunFacts]) -> tuple[Planned, ...]:
    return missing(
        requirement,
        [one for run in runs for one in run.planned],
        [result for run in runs for result in run.record.results],
        [run.record.start for run in runs],
    )


def _status(
    requirement: Requirement,
    counted: Sequence[Piece],
    aside: Sequence[Piece],
    samples: Sequence[SampleShown],
    lacking: Sequence[Planned],
    alone: Sequence[str],
) -> tuple[Status, list[str]]:
    failed = [_told(p) for p in counted if p.standing is Standing.FAIL]
    failed += [s.shown for s in samples if s.verdict is Verdict.FAIL]
    if failed:
        return Status.FAILED, failed
    if gaps := [*told(lacking), *_gaps(requirement, counted, aside, lacking), *alone]:
        return Status.NOT_COVERED, gaps
    best = _best(samples)
    open_ones = [best.shown] if best is not None and best.verdict is not Verdict.PASS else []
    open_ones += [_told(p) for p in counted if p.standing is not Standing.PASS and not p.made_up]
    doubted = {p.run.name: p.run for p in counted if p.run.doubts}
    open_ones += [f"run {name}: {text}" for name, run in doubted.items() for text in run.doubts]
    if open_ones:
        return Status.UNDECIDED, open_ones
    items = len({piece.item.item for piece in counted})
    return Status.COVERED, [f"{items} item{'s' if items > 1 else ''}, every judgement holds"]


def _best(samples: Sequence[SampleShown]) -> SampleShown | None:
    """The sample that reaches the claim, else the first one (the bench's)."""
    reached = [sample for sample in samples if sample.verdict is Verdict.PASS]
    return next(iter([*reached, *samples]), None)


def _gaps(
    requirement: Requirement,
    counted: Sequence[Piece],
    aside: Sequence[Piece],
    lacking: Sequence[Planned],
) -> list[str]:
    """Why there is no evidence, or a part of it is missing, besides the items `lacking`."""
    gaps: list[str] = []
    ran = [p for p in counted if p.standing not in (Standing.NOT_RUN, Standing.INTERRUPTED)]
    for number, source in enumerate(requirement.sources):
        if any(piece.source == number for piece in ran):
            continue
        planned = [piece for piece in counted if piece.source == number]
        refused = [piece for piece in aside if piece.source == number]
        if planned:
            gaps.append(f"{source}: {_told(planned[0])}")
        elif refused:
            results = "result" if len(refused) == 1 else "results"
            gaps.append(
                f"{source}: only simulated evidence ({len(refused)} {results} set aside), and "
                "evidence from the bench is asked for"
            )
        elif not any(belongs(one, source) for one in lacking):
            gaps.append(f"{source}: no such item in these runs")
    if not gaps and not lacking:
        missing = missing_measures(requirement, counted)
        gaps += [f"no judgement of measure {one}" for one in missing]
    return gaps


def _told(piece: Piece) -> str:
    return f"{piece.item.name} in run {piece.run.name}: {piece.standing}: {piece.reason}"


def _samples(requirement: Requirement, counted: Sequence[Piece]) -> tuple[SampleShown, ...]:
    if requirement.sample is None:
        return ()
    parts = [
        [p for p in counted if not p.run.simulated],
        [p for p in counted if p.run.simulated],
    ]
    return tuple(_sample(requirement, part) for part in parts if part)


def _sample(requirement: Requirement, part: Sequence[Piece]) -> SampleShown:
    sample = requirement.sample
    assert sample is not None
    outcomes = _counted_once(part)
    trials, undecided = len(outcomes), count(outcomes, Verdict.UNDECIDED)
    successes = count(outcomes, Verdict.PASS)
    boards = boards_of({p.run.name: p.run for p in part}.values())
    target = sample.target
    claims = [f"{sample.size} trials"] if sample.size is not None else []
    if target is not None:
        claims.append(f"at least {target.at_least:g} % with {target.confidence:g} % confidence")
    claimed = ", ".join(claims)
    shown = f"{successes} of {trials} trials succeeded on {boards}"
    if undecided:
        failures = trials - successes - undecided
        shown = (
            f"{successes} succeeded, {failures} failed, {undecided} undecided of {trials} trials "
            f"on {boards}"
        )
    low = confidence = None
    verdict = Verdict.PASS
    if target is not None:
        verdict = judge_rate(target, successes, trials, undecided)[1].verdict
        if trials:
            low = 100.0 * lower_bound(successes, trials, target.confidence / 100.0)
            confidence = 100.0 * demonstrated(successes, trials, target.at_least / 100.0)
            shown += (
                f", which shows at least {low:.2f} % with {target.confidence:g} % confidence "
                "(exact binomial bound"
                + (", each undecided trial taken as failed)" if undecided else ")")
            )
    decided = trials - undecided
    if sample.size is not None and decided < sample.size and verdict is Verdict.PASS:
        verdict = Verdict.UNDECIDED
    if verdict is not Verdict.PASS:
        shown += f"; claimed: {claimed}"
    if any(_sequential(piece) for piece in part):
        shown += "; a series that ends when it has decided is no fixed sample: the bound is rough"
    evidence = "simulated" if part[0].run.simulated else "bench"
    return SampleShown(
        evidence, trials, successes, undecided, boards, claimed, shown, low, confidence, verdict
    )


def _counted_once(part: Iterable[Piece]) -> list[Verdict]:
    """What every trial came to; one that two sources found counts once, at its worst."""
    found: dict[tuple[str, str, int, int], list[Verdict]] = {}
    for piece in part:
        for repeat, verdict in piece.trials.items():
            found.setdefault((*piece.key, repeat), []).append(verdict)
    return [all_told(verdicts) for verdicts in found.values()]


def _sequential(piece: Piece) -> bool:
    result = piece.item.result
    return result is not None and result.conditions.get("repeats", "").startswith("until decided")


def _nearest(counted: Iterable[Piece]) -> tuple[Judgement, float] | None:
    found = [
        (j, share) for p in counted if p.standing not in SAYS_NOTHING
        for j in p.judgements if (share := margin_share(j)) is not None
    ]  # fmt: skip
    return min(found, key=lambda entry: entry[1], default=None)


def margin_share(judgement: Judgement) -> float | None:
    """Margin in % of the span of the band, None where there is no proportion or no value."""
    return None if judgement.margin is None else share_left(judgement.margin, judgement.band)
