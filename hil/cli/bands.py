"""``hil bands``: pass bands proposed from baseline runs, as a diff of the plan to review."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from hil.cli.plan_edit import BandEntry
    from hil.core.band import Band
    from hil.plan.plan import PlannedItem
    from hil.store.reading import RunRecord
    from hil.verdicts.baseline import Baseline, Gathered, Key
    from hil.verdicts.proposal import Proposal, Wish


@click.command("bands")
@click.argument(
    "runs", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path), metavar="RUN..."
)
@click.option(
    "--plan",
    "plan_file",
    required=True,
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Plan whose bands are looked at.",
)
@click.option("--rig", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="Rig file, in place of the one that the plan names.")  # fmt: skip
@click.option("--coverage", default="99 %", show_default=True,
              help="Share of healthy results a band shall hold.")  # fmt: skip
@click.option("--confidence", default="95 %", show_default=True,
              help="How surely it shall hold them.")  # fmt: skip
@click.option("--room", default="5 %", show_default=True,
              help="Least room between mean and limit, of the mean.")  # fmt: skip
@click.option("--room-of", multiple=True, metavar="MEASURE=QUANTITY",
              help="Least room for one measure, such as steady-error='0.5 %'.")  # fmt: skip
@click.option("--requirements", is_flag=True,
              help="Also move limits that stand for a requirement.")  # fmt: skip
@click.option("--write", is_flag=True, help="Change the plan file; without this it stays as it is.")
@click.option("--diff", "diff_file", type=click.Path(dir_okay=False, path_type=Path),
              help="Write the diff here, not to the terminal.")  # fmt: skip
@click.option("--json", "json_file", type=click.Path(dir_okay=False, path_type=Path),
              help="Write the proposals as JSON.")  # fmt: skip
def bands(
    runs: tuple[Path, ...],
    *,
    plan_file: Path,
    rig: Path | None,
    coverage: str,
    confidence: str,
    room: str,
    room_of: tuple[str, ...],
    requirements: bool,
    write: bool,
    diff_file: Path | None,
    json_file: Path | None,
) -> None:
    """Propose pass bands for PLAN from what the run folders RUN... measured.

    Prints what each band would become and what it would have done to those runs, and a diff of the
    plan. A band shared by several items is drawn wide enough for all of them. Simulated runs and
    runs on a bench are never mixed.
    """
    from hil.cli.plan_edit import band_entries, read_text, unified, with_limits
    from hil.measures.catalogue import KINDS, definitions
    from hil.plan.load import load_plan, load_rig
    from hil.store.reading import read
    from hil.verdicts.baseline import gather
    from hil.verdicts.proposal import Wish

    plan = load_plan(plan_file)
    rig_file = rig or plan.rig_path
    if rig_file is None:
        raise click.UsageError(f"{plan_file} names no rig: give --rig")
    units = {kind: {name: d.unit for name, d in definitions(kind).items()} for kind in KINDS}
    items, entries = band_entries(plan, load_rig(rig_file), units)
    records = _alike([read(run) for run in runs])
    results = [
        (record.start.run, [r for r in record.results if r.plan == plan.name]) for record in records
    ]
    gathered = gather(results, {item.id: item.describe() for item in items})
    wish = Wish(
        _share("--coverage", coverage),
        _share("--confidence", confidence),
        _share("--room", room),
        dict(_room(text, units) for text in room_of),
    )
    drafts = [_draft(entry, gathered.baselines, wish, requirements) for entry in entries]
    text = read_text(plan_file)
    changes = {place: value for draft in drafts for place, value in draft.changes().items()}
    unit_of = {p: d.entry.band.unit for d in drafts for p in d.changes()}
    edited = with_limits(text, changes, unit_of)
    for line in _lines(records, items, drafts, gathered):
        click.echo(line)
    diff = unified(plan_file, text, edited)
    if diff_file is not None:
        diff_file.write_text(diff, encoding="utf-8")
    else:
        click.echo(diff or "No limit of the plan would change.\n", nl=False)
    if json_file is not None:
        facts = _facts(records, drafts, gathered, wish)
        json_file.write_text(json.dumps(facts, indent=2) + "\n", encoding="utf-8")
    if write and diff:
        _replace(plan_file, edited)
        click.echo(f"{plan_file} changed.")


@dataclass(frozen=True, slots=True)
class _Draft:
    """What becomes of one band entry: `band` is None if it stays, with the reason in `why`."""

    entry: BandEntry
    proposals: tuple[Proposal, ...]
    band: Band | None
    why: str = ""

    def changes(self) -> dict[Any, float]:
        """Position of each limit that changes -> its new value."""
        if self.band is None:
            return {}
        old, new = self.entry.band, self.band
        sides = ((self.entry.low, old.low, new.low), (self.entry.high, old.high, new.high))
        return {
            place: after
            for place, before, after in sides
            if place is not None and after is not None and after != before
        }


def _draft(
    entry: BandEntry, baselines: Mapping[Key, Baseline], wish: Wish, requirements: bool
) -> _Draft:
    from hil.verdicts.baseline import Baseline
    from hil.verdicts.proposal import propose, widest

    measure, unit = entry.band.measure, entry.band.unit
    proposals = tuple(
        propose(baselines.get((i, measure)) or Baseline(i, measure, unit), entry.band, wish)
        for i in entry.items
    )
    missing = [p for p in proposals if p.band is None]
    if missing:
        others = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        why = f"{missing[0].baseline.item}{others}: {missing[0].remarks[0]}"
        return _Draft(entry, proposals, None, why)
    band = widest(p.band for p in proposals if p.band is not None)
    if entry.band.requirement and not requirements:
        return _Draft(entry, proposals, None, f"stands for {entry.band.requirement}")
    return _Draft(entry, proposals, band)


def _alike(records: list[RunRecord]) -> list[RunRecord]:
    """The records, each once, if they may be taken together."""
    unique = list({record.path.resolve(): record for record in records}.values())
    first = unique[0].start
    for record in unique[1:]:
        start = record.start
        if start.simulated is not first.simulated:
            simulated, bench = (start.run, first.run) if start.simulated else (first.run, start.run)
            raise click.UsageError(
                f"run {simulated} is SIMULATED and run {bench} is not: they are never mixed"
            )
        if start.rig != first.rig:
            raise click.UsageError(
                f"run {start.run} is of rig {start.rig}, run {first.run} of rig {first.rig}"
            )
    return unique


def _share(option: str, text: str) -> float:
    from hil.plan.units import convert

    try:
        return convert(text if "%" in text else f"{text} %", "ratio") / 100.0
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint=option) from error


def _room(text: str, units: Mapping[str, Mapping[str, str]]) -> tuple[str, float]:
    from hil.core.quantity import CANONICAL_UNITS
    from hil.plan.units import convert

    name, _equals, quantity = text.partition("=")
    unit = next((group[name] for group in units.values() if name in group), None)
    if unit is None:
        raise click.BadParameter(f"there is no measure {name!r}", param_hint="--room-of")
    kind = next(kind for kind, canonical in CANONICAL_UNITS.items() if canonical == unit)
    try:
        return name, convert(quantity, kind)
    except ValueError as error:
        raise click.BadParameter(f"{name}: {error}", param_hint="--room-of") from error


def _lines(
    records: Sequence[RunRecord],
    items: Sequence[PlannedItem],
    drafts: Sequence[_Draft],
    gathered: Gathered,
) -> Iterable[str]:
    if records[0].start.simulated:
        yield "SIMULATED: no motor turned. Bands for a real bench come from runs on that bench."
    seen = {item for item, _measure in gathered.baselines}
    yield (
        f"{len(records)} runs of rig {records[0].start.rig}, {len(seen)} of the {len(items)} items "
        "of the plan"
    )
    yield ""
    for draft in drafts:
        entry = draft.entry
        what = f"line {entry.position.line}: {entry.band.measure}"
        if draft.band is None:
            yield f"{what} stays {entry.band}: {draft.why}"
            continue
        yield f"{what} {entry.band} -> {draft.band}"
        for proposal in draft.proposals:
            yield from _told(proposal, draft.band)
    if gathered.left_out:
        yield ""
        yield "Left out:"
        yield from (f"  run {run}: {item}: {why}" for run, item, why in gathered.left_out)
    yield ""


def _told(proposal: Proposal, band: Band) -> Iterable[str]:
    from hil.verdicts.proposal import hindsight

    sample = proposal.sample
    assert sample is not None
    before = hindsight(proposal.current, proposal.baseline)
    after = hindsight(band, proposal.baseline)
    yield (
        f"  {proposal.baseline.item}: {sample.count} values of {len(proposal.baseline.runs)} runs, "
        f"{sample.mean:.4g} ± {sample.deviation:.2g} (s); {proposal.method}"
    )
    yield f"    past results: {before} now, {after} with the proposed band"
    if after.not_passed:
        yield f"    not passed in {', '.join(after.not_passed)}"
    yield from (f"    note: {remark}" for remark in proposal.remarks)


def _facts(
    records: Sequence[RunRecord], drafts: Sequence[_Draft], gathered: Gathered, wish: Wish
) -> dict[str, Any]:
    from hil.verdicts.proposal import hindsight

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


def _replace(path: Path, text: str) -> None:
    """Write beside the file, then put in its place: a full disk leaves the old plan whole."""
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_bytes(text.encode("utf-8"))
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
