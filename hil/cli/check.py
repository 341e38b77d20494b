"""``hil check``: look a rig over before trusting it with a night."""

from __future__ import annotations

import contextlib
import dataclasses
import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from hil.cli import shared
from hil.core.roles import INSTRUMENTS

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
@click.argument("rig", type=shared.FILE)
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
    rig: Path, *, twin: bool, energise: bool, json_file: Path | None, **resources: str
) -> None:
    """Check RIG: its files, who answers, and the limits. Nothing is energised without --energise.

    Firmware that the rig names for the simulated bench is compiled.

    Exit code 0 when nothing failed, 3 otherwise.
    """
    from hil.bench.lease import take
    from hil.bench.preflight import Grade, look_over
    from hil.plan.load import load_rig

    found = load_rig(rig)
    named = {role: name for role, name in resources.items() if name}
    findings = []
    words = {Grade.OK: "OK", Grade.WARNING: "WARNING", Grade.FAILED: "FAILED"}
    if twin:
        click.echo("SIMULATED bench: this says nothing about any real one.")
    with contextlib.ExitStack() as held:
        if not twin:
            held.enter_context(take(found, named, purpose="run" if energise else "look"))
        for finding in look_over(
            found,
            simulated=twin,
            resources=named,
            today=datetime.now(UTC).date(),
            energise=energise,
        ):
            findings.append(finding)
            lines = click.wrap_text(
                finding.detail, 78, initial_indent=" " * 4, subsequent_indent=" " * 4
            )
            click.echo(f"{words[finding.grade]:<8} {finding.what}\n{lines}")
            for line in finding.listing:
                click.echo(line)
    click.echo()
    click.echo(click.wrap_text(CAUTION, 78))
    if json_file is not None:
        facts = [dataclasses.asdict(finding) for finding in findings]
        shared.write_json(json_file, facts)
    if any(finding.grade is Grade.FAILED for finding in findings):
        sys.exit(3)
