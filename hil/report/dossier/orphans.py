"""Evidence that belongs to no requirement, and planned items that left none at all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from hil.core.verdict import Verdict
from hil.report.dossier.assess import Assessment
from hil.report.dossier.evidence import marks
from hil.report.dossier.runs import RunFacts
from hil.report.items import Item, Standing


@dataclass(frozen=True, slots=True)
class Orphan:
    """An attempt at an item that no requirement of the file asks for.

    Parameters
    ----------
    marks : requirements that the plan names for it and the file does not know.
    """

    run: RunFacts
    item: Item
    marks: tuple[str, ...]


def orphans(runs: Sequence[RunFacts], assessments: Iterable[Assessment]) -> tuple[Orphan, ...]:
    """Attempts with a result that are evidence for nothing; the failed ones first."""
    used = {p.key for one in assessments for p in (*one.pieces, *one.set_aside)}
    found = [
        Orphan(run, item, tuple(sorted(marks(item.result))))
        for run in runs
        for item in run.items
        if item.result is not None and (run.name, item.item, item.number) not in used
    ]
    return tuple(sorted(found, key=lambda one: one.item.standing is not Standing.FAIL))


def outside(runs: Sequence[RunFacts], assessments: Iterable[Assessment]) -> tuple[Orphan, ...]:
    """Failed attempts whose fail is in no requirement: nothing that failed may be passed over."""
    told = {p.key for one in assessments for p in one.pieces if p.standing is Standing.FAIL}
    # A simulated fail that was set aside is told beside the requirement it was set aside for.
    told |= {p.key for one in assessments for p in one.set_aside}
    return tuple(
        Orphan(run, item, tuple(sorted(marks(item.result))) if item.result else ())
        for run in runs
        for item in run.items
        if _failed(item) and (run.name, item.item, item.number) not in told
    )


def _failed(item: Item) -> bool:
    """Whether it failed, also if it was cut short after that."""
    judged = item.result.judgements if item.result is not None else ()
    return item.standing is Standing.FAIL or any(j.verdict is Verdict.FAIL for j in judged)


def never_decided(runs: Sequence[RunFacts]) -> tuple[tuple[RunFacts, Item], ...]:
    """Planned items that left no result in any run: nobody knows what they would have shown."""
    known = {result.item for run in runs for result in run.record.results}
    return tuple((run, item) for run in runs for item in run.items if item.item not in known)


def unknown_marks(runs: Sequence[RunFacts], known: Iterable[str]) -> tuple[str, ...]:
    """Requirements that plans name and the file does not."""
    named = {mark for run in runs for result in run.record.results for mark in marks(result)}
    return tuple(sorted(named - set(known)))
