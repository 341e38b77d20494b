"""``hil population``: healthy rigs through a plan, to see that none of them fails."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hil.cli import shared
from hil.cli.ending import ended_at_joints
from hil.cli.population_told import told
from hil.core.count import many

if TYPE_CHECKING:
    from hil.scenarios.campaign import TaskResult
    from hil.scenarios.campaign_population import PopulationTally
    from hil.store.campaign_folder import CampaignFolder, GrowingTable

_JUDGEMENTS = {
    "rig": "text",
    "item": "text",
    "measure": "text",
    "repeat": "whole",
    "verdict": "text",
    "value": "number",
    "margin": "number",
}
_BANDS = (
    "item", "measure", "unit", "judged", "fails", "undecided", "fail_bound", "low", "high",
    "least", "p5", "median", "p95", "most", "margin", "room",
)  # fmt: skip


@click.command("population")
@click.argument("target", type=shared.FILE)
@click.option("--rigs", type=click.IntRange(1), required=True, help="How many healthy rigs.")
@click.option(
    "--plan",
    type=shared.FILE,
    help=f"Plan to run when TARGET is a rig file; {shared.NIGHTLY} if left out.",
)
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), default=1, show_default=True)
@shared.jobs
@shared.scheduler
@click.option("--without-series", is_flag=True, help="Leave out items that are repeated.")
@shared.campaign_out
@shared.json_file("Write the summary as JSON here as well.")
def population(
    target: Path,
    rigs: int,
    plan: Path | None,
    seed: int,
    jobs: int | None,
    scheduler: str,
    without_series: bool,
    out: Path,
    json_file: Path | None,
) -> None:
    """Run a plan on N healthy simulated rigs, drawn within the tolerances of the rig file.

    TARGET is a plan (*.plan.yaml) or a rig file. Exit code 0 when no band failed a healthy rig,
    1 otherwise. Ctrl-C or SIGTERM ends it early and tells what has been seen so far: 130.
    """
    from hil.bench.compile_ahead import compile_ahead
    from hil.bench.simulate import tolerances_of
    from hil.scenarios.campaign import run_campaign
    from hil.scenarios.campaign_population import PopulationTally, population_tasks
    from hil.scenarios.campaign_task import rig_of, runnable_items
    from hil.store.campaign_folder import CampaignFolder

    plan_file, rig_file = _files(target, plan)
    rig = rig_of(plan_file, rig_file)
    able, left_out = runnable_items(plan_file, rig_file)
    items = {name: item for name, item in able.items() if not (without_series and item.repeats > 1)}
    tolerances = tolerances_of(rig)
    tasks = population_tasks(plan_file, rig_file, items.values(), tolerances, rigs=rigs, seed=seed)
    click.echo("SIMULATED: no motor turned.")
    click.echo(
        f"{many(rigs, 'healthy rig')} of {rig.rig}, {many(len(items), 'item')} each, seed {seed}"
    )
    for line in left_out:
        click.echo(line)
    if not scheduler:
        compile_ahead(rig, lambda text: click.echo(text, err=True))
    tally = PopulationTally(items)
    folder = CampaignFolder(out, "population")
    folder.write_json(
        "campaign",
        {
            "plan": plan_file, "rig": rig_file or str(rig.files[0]), "rigs": rigs, "seed": seed,
            "items": list(items), "tolerances": tolerances, "simulated": True,
        },
    )  # fmt: skip
    progress = _Progress(len(items), rigs)
    interrupted = False
    try:
        with ended_at_joints() as joint, folder.table("judgements", _JUDGEMENTS) as table:
            results = run_campaign(
                tasks, jobs=jobs, scheduler=scheduler, progress=progress, joint=joint
            )
            with contextlib.closing(results):  # type: ignore[type-var]  # a generator has close
                for result in results:
                    tally.add(result)
                    _keep(table, result)
    except KeyboardInterrupt:
        interrupted = True  # what has been seen so far is worth telling
        click.echo(f"\ninterrupted after {tally.rigs} of {rigs} rigs", err=True)
    summary = _summary(tally)
    _save(folder, tally, summary)
    for line in told(tally, len(items)):
        click.echo(line)
    click.echo(f"{folder.path}")
    if json_file is not None:
        from hil.store.campaign_folder import plain

        shared.write_json(json_file, {**summary, "folder": str(folder.path)}, plain)
    if interrupted:
        raise click.Abort
    if tally.failed_rigs:
        sys.exit(1)


def _files(target: Path, plan: Path | None) -> tuple[str, str]:
    """Plan file and rig file; the rig file is "" if the plan is to name it."""
    if target.name.endswith(".plan.yaml"):
        if plan is not None:
            raise click.UsageError(f"{target} is a plan itself: leave --plan out, or name a rig")
        return str(target), ""
    if plan is None and not shared.NIGHTLY.is_file():
        raise click.UsageError(
            f"{target} is a rig file and there is no {shared.NIGHTLY}: give --plan"
        )
    return str(plan or shared.NIGHTLY), str(target)


class _Progress:
    """A line that is rewritten on a terminal; elsewhere one line for every tenth of the rigs."""

    def __init__(self, items: int, rigs: int) -> None:
        self._items, self._rigs, self._told = items, rigs, 0
        self._terminal = sys.stderr.isatty()

    def __call__(self, done: int, of: int, _result: TaskResult) -> None:
        whole = done // self._items
        if self._terminal:
            end = "\n" if done == of else ""
            click.echo(f"\r{whole}/{self._rigs} rigs, {done}/{of} items", err=True, nl=False)
            click.echo(end, err=True, nl=False)
        elif whole * 10 // self._rigs > self._told:
            self._told = whole * 10 // self._rigs
            click.echo(f"{whole}/{self._rigs} rigs", err=True)


def _keep(table: GrowingTable, result: TaskResult) -> None:
    rig, item = result.task.variation.name, result.task.item
    for one in result.judged:
        table.add(rig, item, one.measure, one.repeat, one.verdict.value, one.value, one.margin)
    if not result.judged:
        table.add(rig, item, None, 0, result.verdict.value, None, None)


def _summary(tally: PopulationTally) -> dict[str, Any]:
    return {
        "rigs": tally.rigs,
        "failed_rigs": tally.failed_rigs,
        "fail_bound_of_a_rig": tally.rig_fail_bound(),
        "judgements": tally.judgements,
        "undecided": tally.undecided,
        "verdicts": {verdict.value: count for verdict, count in tally.verdicts.items()},
        "bench_seconds": tally.bench_seconds,
        "worker_seconds": tally.wall_seconds,
        "bands": tally.bands(),
    }


def _save(folder: CampaignFolder, tally: PopulationTally, summary: Mapping[str, Any]) -> None:
    folder.write_json("summary", summary)
    rows = []
    for b in tally.bands():
        s = b.spread
        values = (s.least, s.low, s.median, s.high, s.most) if s is not None else (None,) * 5
        rows.append(
            (b.item, b.measure, b.unit, b.judged, b.fails, b.undecided, b.fail_bound, *b.limits,
             *values, b.margin, b.room)
        )  # fmt: skip
    folder.write_csv("bands", _BANDS, rows)
    folder.write_csv(
        "measures",
        ("item", "measure", "unit", "count", "least", "p5", "median", "p95", "most"),
        [
            (item, measure, unit, s.count, s.least, s.low, s.median, s.high, s.most)
            for item, measure, unit, s in tally.spreads()
        ],
    )
