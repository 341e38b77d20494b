"""Proposed bands in words and as data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from hil.cli.bands_draft import Draft
from hil.core.band import Band
from hil.core.count import many
from hil.plan.plan import PlannedItem
from hil.store.reading import RunRecord
from hil.verdicts.baseline import Gathered
from hil.verdicts.proposal import Proposal, Wish, hindsight
from hil.verdicts.risk import GlobalRisks, risks_of


def lines(
    records: Sequence[RunRecord],
    items: Sequence[PlannedItem],
    drafts: Sequence[Draft],
    gathered: Gathered,
) -> Iterator[str]:
    """What is printed: each band that could move, why or why not, and what was left out."""
    if records[0].start.simulated:
        yield "SIMULATED: no motor turned. Bands for a real bench come from runs on that bench."
    seen = {item for item, _measure in gathered.baselines}
    yield (
        f"{many(len(records), 'run')} of rig {records[0].start.rig}, {len(seen)} of the "
        f"{many(len(items), 'item')} of the plan"
    )
    yield from _same_seeds(records)
    yield ""
    fixed = [draft for draft in drafts if draft.fixed]
    for draft in drafts:
        if draft.fixed:
            continue
        entry = draft.entry
        what = f"line {entry.position.line}: {entry.band.measure}"
        if draft.band is None:
            yield f"{what} stays {entry.band}: {draft.why}"
            continue
        yield f"{what} {entry.band} -> {draft.band}"
        for proposal in draft.proposals:
            yield from _told(proposal, draft.band)
    if fixed:
        yield f"{len(fixed)} bands of counts and exact values stay: they are not for data to set."
    if gathered.left_out:
        yield ""
        yield "Left out:"
        yield from (f"  run {run}: {item}: {why}" for run, item, why in gathered.left_out)
    yield ""


def _same_seeds(records: Sequence[RunRecord]) -> Iterator[str]:
    """Simulated runs of one seed repeat each other, and so do not add to what is known."""
    by_seed: dict[int, list[str]] = {}
    for record in records:
        if record.start.simulated:
            by_seed.setdefault(record.start.seed, []).append(record.start.run)
    for seed, runs in by_seed.items():
        if len(runs) > 1:
            yield (
                f"{len(runs)} runs have the seed {seed}, and where one repeats another its values "
                f"count twice: {', '.join(runs)}"
            )


def _told(proposal: Proposal, band: Band) -> Iterator[str]:
    sample = proposal.sample
    assert sample is not None
    before = hindsight(proposal.current, proposal.baseline)
    after = hindsight(band, proposal.baseline)
    unit = proposal.baseline.unit
    yield (
        f"  {proposal.baseline.item}: {many(sample.count, 'value')} of "
        f"{many(len(proposal.baseline.runs), 'run')}, mean {sample.mean:.4g} {unit}, "
        f"standard deviation {sample.deviation:.2g} {unit}; "
        f"{proposal.method}"
    )
    yield f"    past results: {before} now, {after} with the proposed band"
    risks = _risks(proposal, band)
    if risks is not None:
        yield (
            f"    in the long run, if results scatter so: {_share(risks.nonconforming)} outside "
            f"the proposed band, {_share(risks.consumer)} outside it and passed, "
            f"{_share(risks.producer)} inside it and not passed (JCGM 106, 9.5)"
        )
    if after.not_passed:
        yield f"    not passed in {', '.join(after.not_passed)}"
    yield from (f"    note: {remark}" for remark in proposal.remarks)


def _risks(proposal: Proposal, band: Band) -> GlobalRisks | None:
    sample = proposal.sample
    if sample is None:
        return None
    return risks_of(band, sample.mean, sample.deviation, proposal.baseline.uncertainty)


def _share(fraction: float) -> str:
    """A share of all results in %; what is next to nothing is said to be below a hundredth."""
    percent = 100.0 * fraction
    return f"{percent:.2g} %" if percent >= 0.01 else "below 0.01 %"


def facts(
    records: Sequence[RunRecord], drafts: Sequence[Draft], gathered: Gathered, wish: Wish
) -> dict[str, Any]:
    """The same as data, for ``--json``."""

    def limits(band: Band | None) -> dict[str, Any] | None:
        return None if band is None else {"min": band.low, "max": band.high}

    def one(proposal: Proposal, band: Band | None) -> dict[str, Any]:
        found: dict[str, Any] = {
            "item": proposal.baseline.item,
            "count": len(proposal.baseline.values),
            "runs": list(proposal.baseline.runs),
            "proposed": limits(proposal.band),
            "method": proposal.method,
            "remarks": list(proposal.remarks),
            "past-now": hindsight(proposal.current, proposal.baseline).counts,
        }
        if proposal.sample is not None:
            found |= {"mean": proposal.sample.mean, "deviation": proposal.sample.deviation}
        if band is not None:
            found["past-proposed"] = hindsight(band, proposal.baseline).counts
            risks = _risks(proposal, band)
            found["long-run"] = None if risks is None else asdict(risks)
        return found

    return {
        "simulated": records[0].start.simulated,
        "rig": records[0].start.rig,
        "runs": [record.start.run for record in records],
        "coverage": wish.coverage,
        "confidence": wish.confidence,
        "bands": [
            {
                "measure": draft.entry.band.measure,
                "unit": draft.entry.band.unit,
                "line": draft.entry.position.line,
                "now": limits(draft.entry.band),
                "proposed": limits(draft.band),
                "stays-because": draft.why,
                "items": [one(proposal, draft.band) for proposal in draft.proposals],
            }
            for draft in drafts
        ],
        "left-out": [
            {"run": run, "item": item, "why": why} for run, item, why in gathered.left_out
        ],
    }
