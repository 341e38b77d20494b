"""Which part of which attempt at which item says something about a requirement, and what.

A judgement whose band names a requirement is evidence for that one alone; other judgements of an
item are evidence for every requirement that the item names. A verdict that no judgement explains
(a crash, a bench-fault) counts for all of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase

from hil.core.measure import Measure
from hil.core.record import ItemResult
from hil.core.verdict import Judgement, Verdict, combine
from hil.plan.requirements import Requirement, Sample, VerifiedBy
from hil.report.dossier.runs import RunFacts
from hil.report.items import Item, Standing

#: An attempt that says nothing about the firmware; a decided attempt makes up for it.
SAYS_NOTHING = frozenset({Standing.BENCH_FAULT, Standing.INTERRUPTED, Standing.NOT_RUN})


@dataclass(frozen=True, slots=True)
class Piece:
    """One attempt at an item, as far as it concerns one requirement.

    Parameters
    ----------
    source : which of the requirement's sources found it, from 0.
    standing, reason : what became of that part of the attempt.
    judgements : those that count for the requirement.
    trials : repetition -> pass: it succeeded; fail: it did not; undecided: nobody can say.
    made_up : it says nothing, but another attempt at the item was decided.
    """

    run: RunFacts
    item: Item
    source: int
    standing: Standing
    reason: str
    judgements: tuple[Judgement, ...] = ()
    trials: Mapping[int, Verdict] = field(default_factory=dict)
    made_up: bool = False

    @property
    def key(self) -> tuple[str, str, int]:
        """The attempt that it is a part of."""
        return self.run.name, self.item.item, self.item.number

    @property
    def successes(self) -> int:
        """Repetitions that succeeded."""
        return count(self.trials.values(), Verdict.PASS)

    @property
    def undecided(self) -> int:
        """Repetitions of which nobody can say whether they succeeded."""
        return count(self.trials.values(), Verdict.UNDECIDED)

    @property
    def plan(self) -> str:
        """Name of the plan, "" if the attempt left no result."""
        return self.item.result.plan if self.item.result is not None else ""


def pieces(requirement: Requirement, runs: Sequence[RunFacts]) -> tuple[Piece, ...]:
    """Every piece of evidence for `requirement`, in the order of the runs; none is left out."""
    known = _marked_items(runs)
    found = [
        piece
        for run in runs
        for item in run.items
        for number, source in enumerate(requirement.sources)
        for piece in _piece(requirement, source, number, run, item, known)
    ]
    decided = {p.item.item for p in found if p.standing not in SAYS_NOTHING}
    return tuple(
        replace(p, made_up=p.standing in SAYS_NOTHING and p.item.item in decided) for p in found
    )


def _marked_items(runs: Iterable[RunFacts]) -> dict[str, set[str]]:
    """Item -> requirements that its plan or a result names: an interrupted attempt names none."""
    known: dict[str, set[str]] = {}
    for planned in (planned for run in runs for planned in run.planned):
        known.setdefault(planned.item, set()).update(planned.marks)
    for result in (result for run in runs for result in run.record.results):
        known.setdefault(result.item, set()).update(marks(result))
    return known


def marks(result: ItemResult) -> set[str]:
    """Requirements that a result names, as an item or in a band."""
    named = {j.band.requirement for j in result.judgements if j.band.requirement}
    return named | set(result.requirements)


def _piece(
    requirement: Requirement,
    source: VerifiedBy,
    number: int,
    run: RunFacts,
    item: Item,
    known: dict[str, set[str]],
) -> Iterator[Piece]:
    result = item.result
    if source.plan and result is not None and result.plan != source.plan:
        return
    mark = source.plan_requirement
    if mark is not None:
        named = known.get(item.item, set()) if result is None else marks(result)
        if mark not in named:
            return
    elif not fnmatchcase(item.item, source.items or ""):
        return
    if result is None:
        yield Piece(run, item, number, item.standing, item.reason)
        return
    mine = _belonging(result, source)
    if source.measures and not mine and result.verdict is Verdict.PASS:
        return  # this item judges none of the measures; `missing_measures` tells if none does
    standing, reason = _came_to(result, mine, whole=not source.measures)
    trials = _trials(result, mine, requirement.sample)
    yield Piece(run, item, number, standing, reason, mine, trials)


def _belonging(result: ItemResult, source: VerifiedBy) -> tuple[Judgement, ...]:
    if source.measures:
        return tuple(j for j in result.judgements if j.band.measure in source.measures)
    mark = source.plan_requirement
    if mark is None:
        return result.judgements
    listed = mark in result.requirements
    return tuple(
        j
        for j in result.judgements
        if j.band.requirement == mark or (listed and not j.band.requirement)
    )


def _came_to(result: ItemResult, mine: Sequence[Judgement], *, whole: bool) -> tuple[Standing, str]:
    """The worst of its judgements, and of the item's verdict where no judgement explains it."""
    verdicts = [j.verdict for j in mine]
    explained = combine(j.verdict for j in result.judgements)
    if not mine or not result.judgements or explained is not result.verdict:
        verdicts.append(result.verdict)
    worst = combine(verdicts)
    reasons = [j.reason for j in mine if j.verdict is worst]
    if worst is Verdict.PASS and mine:
        return Standing.PASS, f"{len(mine)} judgements hold"
    if reasons:
        more = f" (and {len(reasons) - 1} more)" if len(reasons) > 1 else ""
        return Standing(worst.value), reasons[0] + more
    return Standing(worst.value), result.reason if whole or not mine else f"item: {result.reason}"


def _trials(
    result: ItemResult, mine: Sequence[Judgement], sample: Sample | None
) -> dict[int, Verdict]:
    """Of each repetition whether it succeeded; without the data for it, it is undecided."""
    of = sample.of if sample is not None else "success"
    found: dict[int, list[Verdict]] = {}
    for measure, repeat in zip(result.measures, result.repeats, strict=False):
        if measure.name == of and repeat:
            found.setdefault(repeat, []).append(_succeeded(measure))
    if not found:
        found = {j.repeat: [] for j in mine if j.repeat}
    for judgement in mine:
        if judgement.repeat in found:
            found[judgement.repeat].append(judgement.verdict)
    return {repeat: all_told(verdicts) for repeat, verdicts in found.items()}


def _succeeded(measure: Measure) -> Verdict:
    if measure.value is None:
        return Verdict.UNDECIDED
    return Verdict.PASS if measure.value == 1.0 else Verdict.FAIL


def all_told(verdicts: Iterable[Verdict]) -> Verdict:
    """What a trial came to: failed if anything says so, succeeded if everything does."""
    kinds = set(verdicts)
    if Verdict.FAIL in kinds:
        return Verdict.FAIL
    return Verdict.PASS if kinds <= {Verdict.PASS} else Verdict.UNDECIDED


def count(trials: Iterable[Verdict], verdict: Verdict) -> int:
    """How many trials came to `verdict`."""
    return sum(one is verdict for one in trials)


def missing_measures(requirement: Requirement, found: Iterable[Piece]) -> list[str]:
    """Measures that a source names and no piece of evidence of it judges."""
    judged: dict[int, set[str]] = {}
    for piece in found:
        judged.setdefault(piece.source, set()).update(j.band.measure for j in piece.judgements)
    return [
        f"{measure} of {source}"
        for number, source in enumerate(requirement.sources)
        for measure in source.measures
        if measure not in judged.get(number, set())
    ]
