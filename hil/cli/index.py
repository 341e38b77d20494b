"""``hil index``: make, update or thin what is kept of many runs."""

from __future__ import annotations

import itertools
import sys
import textwrap
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from hil.cli import shared
from hil.core.count import many
from hil.core.record import NOT_REPORTED

if TYPE_CHECKING:
    from hil.store.index import BuildRow, Found, Rebuilt
    from hil.store.thinning import Thinned

#: The folders of runs that call for a look.
EXIT_LOOK = 1
#: In the order in which they are told: what calls for a look stands last, next to the prompt.
LISTS = (
    "added", "updated", "moved", "copies", "unchanged", "searching",
    "vanished", "unreadable", "altered",
)  # fmt: skip
_LABELS = {"copies": "copied", "searching": "of a search left out"}
#: These are counted, not listed.
_ONLY_COUNTED = ("added", "updated", "unchanged", "searching")


@click.command("index")
@click.argument("roots", nargs=-1, type=click.Path(path_type=Path))
@shared.database
@click.option("--fresh", is_flag=True, help="Read every record again, unchanged ones too.")
@click.option(
    "--forget",
    multiple=True,
    metavar="RUN",
    help="First take this run out of the index; its folder stays. May be repeated.",
)
@click.option(
    "--thin-traces",
    type=click.FloatRange(min=0.0),
    metavar="DAYS",
    help="Thin traces of passing items of runs older than DAYS; peaks and marks stay.",
)
@click.option(
    "--remove-traces",
    type=click.FloatRange(min=0.0),
    metavar="DAYS",
    help="Remove traces of passing items of runs older than DAYS. Measures always stay.",
)
@click.option("--builds", "show_builds", is_flag=True, help="Print what there is of each build.")
@shared.json_file("Write what was found as JSON.")
def index(
    roots: tuple[Path, ...],
    database: str | None,
    fresh: bool,
    forget: tuple[str, ...],
    thin_traces: float | None,
    remove_traces: float | None,
    show_builds: bool,
    json_file: Path | None,
) -> int:
    """Bring the index to what is in the run folders below the ROOTS (default: runs).

    The index holds nothing that is not in the folders: it can be deleted and made again. Folders
    that cannot be read, that differ from what was indexed, or that are gone are listed, and the
    exit code is 1 if there are any; 0 otherwise.

    Traces of items that did not pass are never thinned or removed.
    """
    from hil.store.index import DEFAULT, open_index
    from hil.store.index.retention import retain
    from hil.store.thinning import Rule

    place = database or DEFAULT
    with open_index(place) as opened:
        for run in forget:
            opened.forget(run)
        where = roots or (shared.RUNS,)
        report = opened.rebuild(where, fresh=fresh, told=_progress())
        if sys.stderr.isatty():
            click.echo("\r\x1b[K", nl=False, err=True)
        asked = ((thin_traces, False), (remove_traces, True))
        rules = [Rule(days, remove=remove) for days, remove in asked if days is not None]
        thinned = retain(opened, where, rules)
        builds = opened.overview()
        total = len(opened.runs())
    for line in (*_lines(report, total, place), *(_thinned_lines(thinned) if rules else ())):
        click.echo(line)
    if show_builds:
        for line in _build_lines(builds):
            click.echo(line)
    if json_file is not None:
        retention = [asdict(done) for done in thinned]
        found = {
            **asdict(report),
            "thinned": retention,
            "runs": total,
            "builds": [asdict(build) for build in builds],
        }
        shared.write_json(json_file, found)
    look = any(done.troubles for done in thinned) or not report.clean
    return EXIT_LOOK if look else 0


def _progress() -> Callable[[str], None] | None:
    """Names of the folders on one line of a terminal, so that a year of nights is not silent."""
    if not sys.stderr.isatty():
        return None
    numbers = itertools.count(1)
    return lambda name: click.echo(f"\r\x1b[K{next(numbers)}: {name[:60]}\r", nl=False, err=True)


def _lines(report: Rebuilt, total: int, place: str) -> list[str]:
    """What calls for a look, folder by folder; then one line with all counts."""
    lines = []
    for name in LISTS:
        found: tuple[Found, ...] = getattr(report, name)
        if name in _ONLY_COUNTED:
            continue
        for one in found:
            lines.append(f"{_LABELS.get(name, name).upper()} {one.path or one.run}".rstrip())
            lines += _indented(one.reason)
    counts = [
        f"{len(getattr(report, name))} {_LABELS.get(name, name)}"
        for name in LISTS
        if getattr(report, name)
    ]
    shown = "the index" if "://" in place else place  # a URL may hold a password
    return [*lines, f"{shown}: {many(total, 'run')}; {', '.join(counts) or 'no run folders found'}"]


def _thinned_lines(thinned: list[Thinned]) -> list[str]:
    """What could not be thinned, then one line for all that was."""
    lines = []
    for done in thinned:
        for trouble in done.troubles:
            lines += [f"LEFT ALONE {done.path}", *_indented(trouble)]
    files = sum(done.files for done in thinned)
    spared = sum(done.before - done.after for done in thinned)
    return [*lines, f"traces thinned or removed: {files}, {spared / 1e6:.1f} MB spared"]


def _indented(text: str) -> list[str]:
    indent = "  "
    return textwrap.wrap(
        text, 78, initial_indent=indent, subsequent_indent=indent, break_long_words=False
    )


def _build_lines(builds: list[BuildRow]) -> list[str]:
    """A table a rig and kind of evidence, the one that ran last on top."""
    columns = "{:<24} {:>5} {:>5} {:>5} {:>5} {:>5}  {}"
    head = columns.format("build", "runs", "items", "pass", "fail", "other", "last")
    tables: dict[tuple[str, str], list[str]] = {}
    for row in builds:
        counts = dict(row.counts)
        passed, failed = counts.pop("pass"), counts.pop("fail")
        other = sum(counts.values()) + row.interrupted
        last = row.last[:16].replace("T", " ")
        name = row.build[:24] or NOT_REPORTED
        tables.setdefault((row.rig, row.evidence), [head]).append(
            columns.format(name, row.runs, row.items, passed, failed, other, last)
        )
    lines: list[str] = []
    for (rig, evidence), table in tables.items():
        stamp = "" if evidence == "bench" else ", SIMULATED"
        lines += [f"rig {rig}{stamp}"[:80], *(f"  {line}" for line in table)]
    return lines
