"""``hil measures``: what each measure means, in the words the code follows."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli import shared

if TYPE_CHECKING:
    from rich.console import Console

    from hil.core.measure import Definition

_WIDEST = 100


@click.command("measures")
@click.option("--kind", help="Only the measures of this kind of scenario.")
@shared.json_file("Write the definitions as JSON: kind -> list of definitions.")
def measures(kind: str | None, json_file: Path | None) -> None:
    """List every measure with its unit, definition and source.

    A pass band of a plan names its measure as listed here.
    """
    from hil.measures.catalogue import KINDS, definitions

    if kind is not None and kind not in KINDS:
        raise click.BadParameter(
            f"{kind!r} is no kind of scenario, there are {', '.join(KINDS)}", param_hint="--kind"
        )
    kinds = [kind] if kind else list(KINDS)
    found = {name: definitions(name) for name in kinds}
    _show(found)
    if json_file is not None:
        data = {
            name: [dataclasses.asdict(definition) for definition in group.values()]
            for name, group in found.items()
        }
        shared.write_json(json_file, data)


def _show(found: Mapping[str, Mapping[str, Definition]]) -> None:
    """Print; a definition that every kind shares is told once, at the end."""
    console = _console()
    shared = _shared(found)
    for kind, group in found.items():
        console.print(f"[bold]{kind}[/]", highlight=False)
        _definitions(console, (d for name, d in group.items() if name not in shared))
    if shared:
        console.print("[bold]every kind[/]", highlight=False)
        _definitions(console, shared.values())


def _shared(found: Mapping[str, Mapping[str, Definition]]) -> dict[str, Definition]:
    groups = list(found.values())
    if len(groups) < 2:
        return {}
    return {
        name: definition
        for name, definition in groups[0].items()
        if all(group.get(name) == definition for group in groups[1:])
    }


def _definitions(console: Console, group: Iterable[Definition]) -> None:
    from rich.padding import Padding
    from rich.text import Text

    for definition in group:
        unit = "" if definition.unit == "1" else f" ({definition.unit})"
        text = Text(definition.name, style="bold")
        text.append(unit, style="not bold")
        console.print(Padding(text, (0, 0, 0, 2), expand=False))
        needs = ", ".join(definition.channels)
        lines = [definition.text, f"Source: {definition.source}."]
        if needs:
            lines.append(f"Needs: {needs}.")
        console.print(Padding(Text("\n".join(lines)), (0, 0, 0, 4), expand=False))
        console.print()


def _console() -> Console:
    """A console no wider than reads well; rich itself respects NO_COLOR and pipes."""
    from rich.console import Console

    console = Console(markup=True, highlight=False)
    if console.width > _WIDEST:
        console = Console(markup=True, highlight=False, width=_WIDEST)
    return console
