"""``hil index``: make, update or thin what is kept of many runs."""

from __future__ import annotations

import json
import textwrap
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from hil.store.index import BuildRow, Found, Rebuilt

#: The folders of runs that call for a look.
EXIT_LOOK = 1
#: In the order in which they are told: what calls for a look stands last, next to the prompt.
LISTS = ("added", "updated", "moved", "copies", "unchanged", "vanished", "unreadable", "altered")
_LABELS = {"copies": "copied"}
#: These are counted, not listed.
_ONLY_COUNTED = ("added", "updated", "unchanged")


@click.command("index")
@click.argument("roots", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--database",
    metavar="URL",
    help="SQLite file or postgresql://USER@HOST/NAME (default: runs/index.db).",
)
@click.option("--fresh", is_flag=True, help="Read every record again, unchanged ones too.")
@click.option(
    "--forget",
    multiple=True,
    metavar="RUN",
    help="First take this run out of the index; its folder stays. May be repeated.",
)
@click.option("--builds", "show_builds", is_flag=True, help="Print what there is of each build.")
@click.option(
    "--json",
    "json_file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write what was found as JSON.",
)
def index(
    roots: tuple[Path, ...],
    database: str | None,
    fresh: bool,
    forget: tuple[str, ...],
    show_builds: bool,
    json_file: Path | None,
) -> int:
    """Bring the index to what is in the run folders below the ROOTS (default: runs).

    The index holds nothing that is not in the folders: it can be deleted and made again. Folders
    that cannot be read, that differ from what was indexed, or that are gone are listed, and the
    exit code is 1 if there are any; 0 otherwise.
    """
    from hil.store.index import DEFAULT, open_index

    place = database or DEFAULT
    with open_index(place) as opened:
        for run in forget:
            opened.forget(run)
        report = opened.rebuild(roots or (Path("runs"),), fresh=fresh)
        builds = opened.overview()
        total = len(opened.runs())
    for line in _lines(report, total, place):
        click.echo(line)
    if show_builds:
        for line in _build_lines(builds):
            click.echo(line)
    if json_file is not None:
        found = {**asdict(report), "runs": total, "builds": [asdict(build) for build in builds]}
        json_file.write_text(json.dumps(found, indent=2) + "\n", encoding="utf-8")
    return 0 if report.clean else EXIT_LOOK


def _lines(report: Rebuilt, total: int, place: str) -> list[str]:
    """What calls for a look, folder by folder; then one line with all counts."""
    lines = []
    for name in LISTS:
        found: tuple[Found, ...] = getattr(report, name)
        if name in _ONLY_COUNTED:
            continue
        for one in found:
            lines.append(f"{_LABELS.get(name, name).upper()} {one.path or one.run}".rstrip())
            lines += textwrap.wrap(
                one.reason, 78, initial_indent="  ", subsequent_indent="  ", break_long_words=False
            )
    counts = [
        f"{len(getattr(report, name))} {_LABELS.get(name, name)}"
        for name in LISTS
        if getattr(report, name)
    ]
    shown = "the index" if "://" in place else place  # a URL may hold a password
    return [*lines, f"{shown}: {total} runs; {', '.join(counts) or 'no run folders found'}"]


def _build_lines(builds: list[BuildRow]) -> list[str]:
    columns = "{:<16} {:<10} {:>5} {:>5} {:>5} {:>5} {:>5}  {}"
    lines = [columns.format("build", "evidence", "runs", "items", "pass", "fail", "other", "last")]
    for row in builds:
        counts = dict(row.counts)
        passed, failed = counts.pop("pass"), counts.pop("fail")
        other = sum(counts.values()) + row.interrupted
        last = row.last[:16].replace("T", " ")
        lines.append(
            columns.format(
                row.build[:16] or "-",
                row.evidence,
                row.runs,
                row.items,
                passed,
                failed,
                other,
                last,
            )
        )
    return lines
