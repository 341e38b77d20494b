"""Options that several commands have, spelled out once."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

CommandT = TypeVar("CommandT", bound=Callable[..., Any])

#: A file or folder that is there, and one that may still have to be made.
FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)
NEW_FILE = click.Path(dir_okay=False, path_type=Path)
NEW_FILE_OR_OUTPUT = click.Path(dir_okay=False, allow_dash=True, path_type=Path)
NEW_FOLDER = click.Path(file_okay=False, path_type=Path)

#: Where runs are, if nothing else is said, and the plan of campaigns.
RUNS = Path("runs")
NIGHTLY = Path("testplans/nightly.plan.yaml")

# -- commands that run or read a plan ----------------------------------------------------------

rig_file = click.option("--rig", type=FILE, help="Rig file; the one the plan names if left out.")

# -- commands that run many items at once ------------------------------------------------------

jobs = click.option("--jobs", type=click.IntRange(1), help="Processes; one per core if left out.")
scheduler = click.option(
    "--scheduler", default="", help="Address of a Dask cluster to run on instead."
)
campaign_out = click.option(
    "--out",
    type=NEW_FOLDER,
    default=RUNS,
    show_default=True,
    help="The folder of the campaign is created in it.",
)

# -- commands that ask over many runs ----------------------------------------------------------

database = click.option(
    "--database",
    metavar="URL",
    help="Index of the runs: SQLite file or postgresql://USER@HOST/NAME (default: runs/index.db).",
)
rig_name = click.option("--rig", metavar="NAME", help="Only runs of this rig.")
evidence = click.option(
    "--evidence",
    type=click.Choice(["bench", "simulated"]),
    help="Only this kind of evidence; both, each by itself, if left out.",
)


def json_file(text: str) -> Callable[[CommandT], CommandT]:
    """``--json FILE``: what the command found, for machines."""
    return click.option("--json", "json_file", type=NEW_FILE, metavar="FILE", help=text)


def write_json(file: Path, data: object, plain: Callable[[Any], Any] | None = None) -> None:
    """Write what ``--json`` asks for; `plain` makes JSON of what is none."""
    text = json.dumps(data, indent=2, default=plain)
    file.write_text(f"{text}\n", encoding="utf-8")
