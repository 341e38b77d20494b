"""What was planned, as the evidence itself tells, and which of it is in no run.

A run keeps its plan and rig files as they were: they are expanded again. Items that only the record
knows of (scenarios in Python, plans of which nothing was run) are taken from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase

from hil.core.errors import PlanError
from hil.core.record import DESELECTED, ItemResult, RunStart
from hil.core.verdict import Verdict
from hil.plan.collect import Collected
from hil.plan.kept import collect_kept
from hil.plan.pairs import partners_of
from hil.plan.plan import PlannedItem
from hil.plan.requirements import Requirement, VerifiedBy
from hil.report.omitted import few
from hil.store.folder import INPUTS
from hil.store.reading import RunRecord

#: Why a planned item is in no run whose record does not say so.
UNTOLD = "deselected, or left out"


@dataclass(frozen=True, slots=True)
class Planned:
    """An item of a plan that a run is of.

    Parameters
    ----------
    marks : requirements that it, or one of its bands, names.
    measures : what it would judge; None: nobody knows.
    why : why it is not in the run, or "".
    partners : of an item that must trip, those just inside the limit that must not; else None.
    """

    plan: str
    item: str
    marks: tuple[str, ...] = ()
    measures: tuple[str, ...] | None = None
    why: str = ""
    partners: tuple[str, ...] | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Its plan and its id."""
        return self.plan, self.item


def planned_of(record: RunRecord) -> tuple[tuple[Planned, ...], str]:
    """Every item that the plans of a run hold, and why that cannot be told, or ""."""
    start = record.start
    told = {
        (one.plan, item): Planned(one.plan, item, marks, None, one.why)
        for one in start.omitted
        for item, marks in one.items.items()
    }
    doubt = ""
    found: list[Planned] = []
    chosen = set(start.items)
    try:
        for plan in _kept(record):
            partners = partners_of(plan.items)
            for item in plan.items:
                key = item.plan, item.id
                why = told[key].why if key in told else "" if item.id in chosen else UNTOLD
                found.append(replace(_planned(item, why), partners=partners.get(item.id)))
            found += [_planned(item, f"left out, {why}") for why, item in plan.left_out]
    except PlanError as problem:
        # where the run lay when it was read is nobody's concern later
        said = str(problem).replace(f"{record.path}/", "")
        doubt = "what was planned cannot be told: " + " ".join(said.split())
    known = {one.key for one in found}
    return (*found, *(one for key, one in told.items() if key not in known)), doubt


def _kept(record: RunRecord) -> tuple[Collected, ...]:
    start = record.start
    plans = collect_kept(record.path / INPUTS, start.hashes, start.rig)
    named = {name for name in start.plans if name.endswith(".plan.yaml")}
    if len(plans) < len(named):
        lost = min(named - {plan.plan.path.name for plan in plans})
        raise PlanError("the run has not kept it", file=lost)
    return plans


def _planned(item: PlannedItem, why: str) -> Planned:
    measures = [band.measure for band in item.bands]
    measures += ["success-rate"] if item.success is not None else []
    measures += ["failure-rate"] if item.series is not None else []
    return Planned(item.plan, item.id, item.marks, tuple(measures), why)


def belongs(one: Planned, source: VerifiedBy) -> bool:
    """Whether an item would be evidence of a source of a requirement."""
    if source.plan and one.plan != source.plan:
        return False
    if source.plan_requirement is not None:
        return source.plan_requirement in one.marks
    if not fnmatchcase(one.item, source.items or ""):
        return False
    if not source.measures or one.measures is None:
        return True
    return not set(source.measures).isdisjoint(one.measures)


def missing(
    requirement: Requirement,
    planned: Iterable[Planned],
    results: Iterable[ItemResult],
    starts: Sequence[RunStart],
) -> tuple[Planned, ...]:
    """Items that would be evidence for `requirement` and are in none of the runs.

    Parameters
    ----------
    planned, results, starts : of the runs whose evidence counts. An item that a run was to have
        and that left no result is in it, whatever became of it.
    """
    ran = {(result.plan, result.item) for result in results}
    begun = {item for start in starts for item in start.items}
    lost = begun - {item for _, item in ran}
    found: dict[tuple[str, str], Planned] = {}
    for one in planned:
        if one.key in ran or one.item in lost:
            continue
        if any(belongs(one, source) for source in requirement.sources):
            found.setdefault(one.key, one)
    return tuple(found.values())


def without_partner(
    planned: Iterable[Planned], evidence: Iterable[tuple[str, str]], results: Iterable[ItemResult]
) -> Iterator[str]:
    """A sentence for each item that must trip, if nothing shows that it does not too early.

    Parameters
    ----------
    planned, results : of the runs whose evidence counts.
    evidence : plan and id of what counts for a requirement.
    """
    decided = {(r.plan, r.item) for r in results if r.verdict in (Verdict.PASS, Verdict.FAIL)}
    asked, found = set(evidence), {one.key: one for one in planned if one.partners is not None}
    for one in found.values():
        partners = one.partners or ()
        if one.key in asked and not any((one.plan, other) in decided for other in partners):
            lacks = "it has no partner with 'expect: no-trip'"
            if partners:
                lacks = f"its partner ({few(partners)}) was judged in none of these runs"
            yield f"{one.item} must trip, and nothing shows that it does not too early: {lacks}"


def told(found: Iterable[Planned]) -> Iterator[str]:
    """A sentence for each reason why items are in no run."""
    for why, items in _by_reason(found):
        several = f"{len(items)} planned items are" if len(items) > 1 else "1 planned item is"
        yield f"{several} in no run ({why}): {few(items)}"


def not_in_run(planned: Sequence[Planned], *, expanded: bool = True) -> Iterator[str]:
    """A sentence for each reason why items of its plans are not in a run.

    `expanded`: `planned` holds all items of the plans, not only those that the record left out.
    """
    of = f" of {len(planned)}" if expanded else ""
    for why, items in _by_reason(one for one in planned if one.why):
        verb = "is" if len(items) == 1 and not expanded else "are"
        noun = "item" if verb == "is" else "items"
        yield f"{len(items)}{of} planned {noun} {verb} not in it ({why}): {few(items)}"


def _by_reason(found: Iterable[Planned]) -> list[tuple[str, list[str]]]:
    reasons: dict[str, list[str]] = {}
    for one in found:
        reasons.setdefault(one.why or UNTOLD, []).append(one.item)
    first = sorted(reasons, key=lambda why: why not in (DESELECTED, UNTOLD))
    return [(why, reasons[why]) for why in first]
