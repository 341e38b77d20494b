"""``hil bands``: pass bands proposed from baseline runs, as a diff of the plan to review."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli import shared

if TYPE_CHECKING:
    from hil.store.reading import RunRecord


@click.command("bands")
@click.argument(
    "runs", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path), metavar="RUN..."
)
@click.option(
    "--plan",
    "plan_file",
    required=True,
    type=shared.FILE,
    help="Plan whose bands are looked at.",
)
@shared.rig_file
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
@click.option("--diff", "diff_file", type=shared.NEW_FILE,
              help="Write the diff here, not to the terminal.")  # fmt: skip
@shared.json_file("Write the proposals as JSON.")
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
    from hil.cli.bands_draft import draft_entry
    from hil.cli.bands_told import facts, lines
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
    _of_plan(plan.name, records)
    results = [
        (record.start.run, [r for r in record.results if r.plan == plan.name]) for record in records
    ]
    gathered = gather(results, {item.id: item.describe() for item in items})
    shares = (
        _share("--coverage", coverage),
        _share("--confidence", confidence),
        _share("--room", room),
    )
    try:
        wish = Wish(*shares, dict(_room(text, units) for text in room_of))
    except ValueError as error:
        raise click.UsageError(str(error)) from error
    drafts = [draft_entry(entry, gathered.baselines, wish, requirements) for entry in entries]
    text = read_text(plan_file)
    changes = {place: value for draft in drafts for place, value in draft.changes().items()}
    unit_of = {p: d.entry.band.unit for d in drafts for p in d.changes()}
    edited = with_limits(text, changes, unit_of)
    for line in lines(records, items, drafts, gathered):
        click.echo(line)
    diff = unified(plan_file, text, edited)
    if diff_file is not None:
        diff_file.write_text(diff, encoding="utf-8")
    else:
        click.echo(diff or "No limit of the plan would change.\n", nl=False)
    if json_file is not None:
        shared.write_json(json_file, facts(records, drafts, gathered, wish))
    if write and diff:
        _replace(plan_file, edited)
        click.echo(f"{plan_file} changed.")


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


def _of_plan(name: str, records: list[RunRecord]) -> None:
    found = sorted({result.plan for record in records for result in record.results})
    if found and name not in found:
        raise click.UsageError(f"expected runs of plan {name}, found runs of {', '.join(found)}")


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


def _replace(path: Path, text: str) -> None:
    """Write beside the file, then put in its place: a full disk leaves the old plan whole."""
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_bytes(text.encode("utf-8"))
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
