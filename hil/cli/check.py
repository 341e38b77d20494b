"""``hil check``: look a rig or a plan over before trusting it with a night."""

from __future__ import annotations

import contextlib
import dataclasses
import sys
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli import shared
from hil.core.roles import INSTRUMENTS

if TYPE_CHECKING:
    from hil.bench.findings import Finding

CAUTION = (
    "This checks what software can see. Before power is applied a person must see to the rest: "
    "motor secured, shaft guarded, hard-wired emergency stop within reach and tried, eye "
    "protection on. Local codes and licensed practice come first."
)


def _resources(command: shared.CommandT) -> shared.CommandT:
    for role in reversed(INSTRUMENTS):
        said = "VISA resource; overrides the rig file."
        command = click.option(f"--{role}", default="", help=said)(command)
    return command


@click.command("check")
@click.argument("file", type=shared.FILE)
@shared.rig_file
@click.option("--twin", is_flag=True, help="Check against the simulated bench of the rig.")
@click.option("--board", default="", help="Board port or pyserial URL; overrides the rig file.")
@_resources
@click.option(
    "--energise",
    is_flag=True,
    help="Then prove protection, stop path and direction; the shaft turns slowly.",
)
@shared.json_file("Write the findings as JSON.")
def check(
    file: Path,
    *,
    rig: Path | None,
    twin: bool,
    energise: bool,
    json_file: Path | None,
    **resources: str,
) -> None:
    """Check FILE, a rig file or a plan. Nothing is energised without --energise.

    A rig: its files, who answers, and the limits. Firmware that it names for the simulated bench
    is compiled. A plan: its items on the rig, how long they take, what would not run and why; no
    bench is asked.

    Exit code 0 when nothing failed, 2 for a file that is wrong, 3 otherwise.
    """
    from hil.plan.reader import read
    from hil.plan.recognise import kinds_of

    named = {role: name for role, name in resources.items() if name}
    of_plan = "plan" in kinds_of(read(file))
    if of_plan and (twin or energise or named):
        raise click.UsageError(f"{file} is a plan; --twin, --energise and ports go with a rig file")
    if rig is not None and not of_plan:
        raise click.UsageError(f"--rig goes with a plan, which {file} is not")
    findings: list[Finding] = []
    for finding in (
        _of_plan(file, rig) if of_plan else _of_rig(file, named, twin=twin, energise=energise)
    ):
        findings.append(finding)
        _show(finding)
    if not of_plan:
        click.echo()
        click.echo(click.wrap_text(CAUTION, 78))
    if json_file is not None:
        shared.write_json(json_file, [dataclasses.asdict(finding) for finding in findings])
    if any(finding.grade == "failed" for finding in findings):
        sys.exit(3)


def _show(finding: Finding) -> None:
    lines = click.wrap_text(finding.detail, 78, initial_indent=" " * 4, subsequent_indent=" " * 4)
    click.echo(f"{finding.grade.upper():<8} {finding.what}\n{lines}")
    for line in finding.listing:
        click.echo(line)


def _of_plan(file: Path, rig: Path | None) -> Iterator[Finding]:
    from hil.plan.collect import collect
    from hil.scenarios.foreseen import plan_findings

    yield from plan_findings(collect(file, rig or ""))


def _of_rig(
    file: Path, named: Mapping[str, str], *, twin: bool, energise: bool
) -> Iterator[Finding]:
    from hil.bench.lease import take
    from hil.bench.preflight import look_over
    from hil.plan.load import load_rig

    found = load_rig(file)
    if twin:
        from hil.bench.compile_ahead import compile_ahead

        click.echo("SIMULATED bench: this says nothing about any real one.")
        compile_ahead(found, lambda text: click.echo(text, err=True))
    with contextlib.ExitStack() as held:
        lease = None if twin else take(found, named, purpose="run" if energise else "look")
        if lease is not None:
            held.enter_context(lease)
        yield from look_over(
            found,
            simulated=twin,
            resources=named,
            today=datetime.now(UTC).date(),
            energise=energise,
            lease=lease,
        )
