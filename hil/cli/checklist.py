"""``hil checklist``: a person sees to every point of a bench, and signs."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli import shared

if TYPE_CHECKING:
    from hil.bench.checklist import Signed
    from hil.plan.rig import Rig

#: Not signed: a point is open, or the person left.
EXIT_OPEN = 3


@click.command("checklist")
@click.argument("rig", type=shared.FILE)
@click.option("--print", "on_paper", is_flag=True, help="Print it to be filled in by hand.")
@shared.json_file("Write the check that holds as JSON.")
@click.option(
    "--state", is_flag=True, help="Say whether a signed check holds; exit code 3 if none."
)
def checklist(rig: Path, *, on_paper: bool, state: bool, json_file: Path | None) -> None:
    """Go through the checklist of RIG, a rig file, at the bench, and sign it.

    Where the rig file has a checklist nothing is energised on hardware without a check that holds.
    """
    from hil.bench.checklist import facts, told, valid
    from hil.core.errors import PlanError
    from hil.plan.load import load_rig

    found = load_rig(rig)
    if found.checklist is None:
        raise PlanError("has no checklist: add 'checklist: {valid-for: 30 d}'", file=str(rig))
    if on_paper:
        _paper(found)
        return
    if state:
        signed = valid(found, datetime.now(UTC))
        click.echo(told(found, signed))
    elif not at_terminal():
        raise click.UsageError(
            "a person must answer at a terminal, and standard input is none; --print is for paper"
        )
    else:
        signed = _ask(found)
    if json_file is not None:
        shared.write_json(json_file, facts(found, signed))


def at_terminal() -> bool:
    """Whether a person can answer."""
    return sys.stdin.isatty()


def _points(rig: Rig) -> list[str]:
    from hil.bench.checklist import points_of

    points = points_of(rig)
    return [f"{number}/{len(points)}  {text}" for number, text in enumerate(points, start=1)]


def _paper(rig: Rig) -> None:
    click.echo(f"Checklist of rig {rig.rig}" + (f": {rig.description}" if rig.description else ""))
    click.echo(f"Rig file: {rig.files[0]}\n")
    for point in _points(rig):
        click.echo(click.wrap_text(f"[ ] {point}", 78, subsequent_indent=" " * 9))
    click.echo("\nEverything above was seen to, at the bench.\n")
    click.echo("Name ______________________  Date ____________  Signature __________________")


def _ask(rig: Rig) -> Signed:
    from hil.bench.checklist import sign, told

    click.echo(f"Checklist of rig {rig.rig}. Answer at the bench, with the supply off.\n")
    for point in _points(rig):
        click.echo(click.wrap_text(point, 78, subsequent_indent=" " * 5))
        if not click.confirm("     seen to?", default=False):
            click.echo(f"Not signed: point {point.partition('/')[0]} is open.", err=True)
            sys.exit(EXIT_OPEN)
    who = click.prompt("Name of who has seen to all of it", type=_NAME)
    signed = sign(rig, who, datetime.now(UTC))
    click.echo(told(rig, signed))
    return signed


class _Name(click.ParamType[str]):
    name = "name"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> str:
        """A name with at least a letter in it."""
        text = " ".join(str(value).split())
        if not any(letter.isalpha() for letter in text):
            self.fail(f"expected a name, found {value!r}", param, ctx)
        return text


_NAME = _Name()
