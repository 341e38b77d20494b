"""``hil defects``: seeded firmware defects through a plan, to see that each is caught."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hil.cli import shared
from hil.cli.ending import ended_at_joints
from hil.core.count import many

if TYPE_CHECKING:
    from hil.scenarios.campaign_defects import Matrix, Proof
    from hil.store.campaign_folder import CampaignFolder
    from hil.twin.defects import Defect


@click.command("defects")
@click.option("--plan", type=shared.FILE, help=f"Plan to prove; {shared.NIGHTLY} if left out.")
@shared.rig_file
@click.option(
    "--table", type=shared.FILE, help="Defects of own firmware in C; its defects.yaml if left out."
)
@click.option("--only", multiple=True, metavar="NAME", help="Only this defect; may be repeated.")
@click.option("--tag", multiple=True, help="Only defects with this tag; may be repeated.")
@click.option("--list", "listing", is_flag=True, help="List the defects and run nothing.")
@click.option(
    "--whole", is_flag=True, help="All items for every defect, not up to the first catch."
)
@click.option(
    "--without-series",
    is_flag=True,
    help="Keep items that are repeated for intermittent defects alone.",
)
@shared.jobs
@shared.scheduler
@click.option("--seed", default="1", show_default=True, help="Of everything random on the bench.")
@shared.campaign_out
@shared.json_file("Write the matrix as JSON here as well.")
@click.option(
    "--markdown", "markdown_file", type=shared.NEW_FILE, help="Write the table as Markdown here."
)
def defects(
    plan: Path | None,
    rig: Path | None,
    table: Path | None,
    only: tuple[str, ...],
    tag: tuple[str, ...],
    listing: bool,
    whole: bool,
    without_series: bool,
    jobs: int | None,
    scheduler: str,
    seed: str,
    out: Path,
    json_file: Path | None,
    markdown_file: Path | None,
) -> None:
    """Run a plan against firmware with seeded defects, on the simulated bench.

    The healthy firmware goes first and must pass all of it, else the campaign is void. Own firmware
    in C is seeded by the defects.yaml beside its sources. Exit code 0 when every defect is caught,
    1 otherwise. Ctrl-C or SIGTERM ends it early and tells what is settled so far: 130.
    """
    from hil.plan.load import load_rig
    from hil.scenarios.campaign_task import rig_of, runnable_items
    from hil.scenarios.source_defects import seeded_into
    from hil.twin.defects import DEFECTS, select

    known: Mapping[str, Defect] = DEFECTS  # to list them, no file is needed
    if rig is not None:
        known = seeded_into(load_rig(rig), table)
    elif not listing:
        known = seeded_into(rig_of(_plan(plan)), table)
    try:
        chosen = select(only, tag, known)
    except ValueError as error:
        said = f"{error} (hil defects --list names all)"
        raise click.BadParameter(said, param_hint="--only") from error
    if not chosen:
        raise click.BadParameter(f"no defect has any of these tags: {', '.join(tag)}")
    if listing:
        for one in chosen:
            click.echo(f"{one.name}  [{', '.join(one.tags)}]\n    {one.consequence}")
        return
    from hil.bench.compile_ahead import compile_ahead
    from hil.ports.clock import utc_now
    from hil.scenarios.campaign import run_campaign
    from hil.scenarios.campaign_defects import prove
    from hil.store.campaign_folder import CampaignFolder
    from hil.store.fingerprint import code_fingerprint
    from hil.store.resuming import hashes_of

    plan_file, rig_file = _plan(plan), str(rig or "")
    name = rig_of(plan_file, rig_file).rig
    items, left_out = runnable_items(plan_file, rig_file)
    click.echo("SIMULATED: no motor turned.")
    click.echo(
        f"{many(len(chosen), 'seeded defect')}, {many(len(items), 'item')} of {plan_file} on {name}"
    )
    for line in left_out:
        click.echo(line)
    for line in _beforehand(items.values(), chosen):
        click.echo(line)
    if not scheduler:
        compile_ahead(rig_of(plan_file, rig_file), lambda text: click.echo(text, err=True))
    folder = CampaignFolder(out, "defects")
    # Before anything is run: whoever edits the plan meanwhile has another one proven than he reads.
    proven = {
        "utc": utc_now(),
        "hil": version("hil"),
        "hil-code": code_fingerprint(),
        "inputs": hashes_of([(Path(plan_file), *rig_of(plan_file, rig_file).files)], {}),
        "library": len(known),
    }
    begun = time.monotonic()
    with ended_at_joints() as joint:
        matrix = prove(
            plan_file,
            rig_file,
            items,
            chosen,
            lambda tasks: run_campaign(tasks, jobs=jobs, scheduler=scheduler, joint=joint),
            seed=seed,
            whole=whole,
            without_series=without_series,
            tell=lambda text: click.echo(text, err=True),
        )
    facts = {
        "plan": plan_file,
        "rig": name,
        "seed": seed,
        "whole": whole,
        "simulated": True,
        "seconds": time.monotonic() - begun,
        **proven,
    }
    _conclude(matrix, facts, folder, json_file, markdown_file)


def _plan(plan: Path | None) -> str:
    if plan is None and not shared.NIGHTLY.is_file():
        raise click.UsageError(f"there is no {shared.NIGHTLY} here: give --plan")
    return str(plan or shared.NIGHTLY)


def _beforehand(items: Any, chosen: Sequence[Any]) -> list[str]:
    """What is known of intermittent defects before anything has run."""
    from hil.scenarios.campaign_defects import starts_of

    starts = sum(starts_of(item) for item in items)
    return [
        f"{one.name}: shows in 1 of {1 / one.odds:.0f} starts; {starts} starts are planned, "
        f"so the chance to see it is {100 * one.chance(starts):.1f} %"
        for one in chosen
        if one.intermittent
    ]


def _conclude(
    matrix: Matrix,
    facts: dict[str, Any],
    folder: CampaignFolder,
    json_file: Path | None,
    markdown_file: Path | None,
) -> None:
    """Tell, save, and leave with the exit code."""
    from hil.report.defects import markdown, text_table
    from hil.store.campaign_folder import plain

    void = [f"{r.task.item}: {r.verdict.value}, {r.reason}" for r in matrix.void]
    # Stable: defects that nobody catches come first, the others keep the order of the library.
    proofs = sorted(matrix.proofs, key=lambda proof: proof.caught is not None)
    rows = [_row(proof) for proof in proofs]
    content = {
        **facts, "void": void, "items": list(matrix.items), "defects": rows,
        "interrupted": matrix.interrupted, "unsettled": list(matrix.unsettled),
    }  # fmt: skip
    folder.write_json("matrix", content)
    if matrix.proofs:
        folder.write_csv("matrix", _CELLS, _cells(matrix))
    if json_file is not None:
        cells = [dict(zip(_CELLS[:4], line, strict=False)) for line in _cells(matrix)]
        whole = {**content, "folder": str(folder.path), "cells": cells}
        shared.write_json(json_file, whole, plain)
    click.echo(str(folder.path))
    if void:
        click.echo(f"VOID: the healthy firmware does not pass {many(len(void), 'item')}:")
        for line in void:
            click.echo(f"  {line}")
        if not matrix.interrupted:
            sys.exit(1)
    for line in text_table(rows):
        click.echo(line)
    for line in _afterwards(matrix.proofs):
        click.echo(line)
    caught = len(matrix.proofs) - len(matrix.escaped)
    said = f"{caught} of {many(len(matrix.proofs), 'defect')} caught"
    click.echo(f"{said} in {facts['seconds']:.0f} s")
    if matrix.interrupted:
        click.echo(f"interrupted: {len(matrix.unsettled)} more are not settled", err=True)
        raise click.Abort
    if markdown_file is not None:
        lines = [
            f"{said} by `{Path(facts['plan']).name}` on the simulated rig `{facts['rig']}`, "
            f"seed {facts['seed']}; SIMULATED, no motor turned.",
            "The healthy firmware passes all of it.",
            f"Each defect ran {'through all items' if facts['whole'] else 'until it was caught'}; "
            "this page is made by `hil defects --markdown FILE`.",
        ]
        markdown_file.write_text(markdown(rows, "Seeded defects", lines), encoding="utf-8")
    if matrix.escaped:
        sys.exit(1)


def _row(proof: Proof) -> dict[str, Any]:
    """What is saved and shown of one defect."""
    defect, catch = proof.defect, proof.caught
    margin = catch.margin if catch is not None else None
    unit = _unit(proof)
    shown = "-" if margin is None else f"{margin:.3g}{'' if unit in ('', '1') else ' ' + unit}"
    chance = ""
    if defect.intermittent:
        chance = (
            f"({100 * proof.chance:.1f} % likely to be seen in the {proof.starts} starts planned.)"
        )
    return {
        "defect": defect.name,
        "consequence": defect.consequence,
        "seeds": ", ".join(str(seed) for seed in defect.seeds),
        "tags": list(defect.tags),
        "item": catch.item if catch is not None else "",
        "measure": catch.measure if catch is not None else "",
        "margin": margin,
        "margin_text": shown,
        "reason": catch.reason if catch is not None else "",
        "caught_by_items": len(proof.catches),
        "items_run": len(proof.results),
        "seconds": proof.seconds,
        "chance": proof.chance if defect.intermittent else None,
        "chance_text": chance,
        "otherwise": [f"{r.task.item}: {r.verdict.value}, {r.reason}" for r in proof.otherwise],
    }


def _unit(proof: Proof) -> str:
    catch = proof.caught
    for result in proof.results:
        for one in result.measured:
            if catch is not None and one.measure == catch.measure:
                return one.unit
    return ""


_CELLS = ("defect", "item", "verdict", "caught", "measure", "margin", "seconds", "reason")


def _cells(matrix: Matrix) -> list[tuple[Any, ...]]:
    """The whole matrix, one line a defect and item that was run."""
    lines = []
    for proof in matrix.proofs:
        caught = {catch.item: catch for catch in proof.catches}
        for result in proof.results:
            catch = caught.get(result.task.item)
            lines.append(
                (
                    proof.defect.name,
                    result.task.item,
                    result.verdict.value,
                    "caught" if catch is not None else "",
                    catch.measure if catch is not None else "",
                    catch.margin if catch is not None else None,
                    result.wall_seconds,
                    result.reason,
                )
            )
    return lines


def _afterwards(proofs: Sequence[Proof]) -> list[str]:
    """What was found of intermittent defects against what was stated beforehand."""
    lines = []
    for proof in proofs:
        if not proof.defect.intermittent:
            continue
        found = f"caught by {len(proof.catches)} of {many(len(proof.results), 'item')} run"
        if proof.caught is None:
            found = f"not seen, which had a chance of {100 * (1 - proof.chance):.1f} %"
        lines.append(f"{proof.defect.name}: stated {100 * proof.chance:.1f} %; {found}")
    return lines
