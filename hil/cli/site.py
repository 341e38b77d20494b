"""``hil site``: a static site over many runs that opens without a server."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hil.cli import shared
from hil.core.count import many

if TYPE_CHECKING:
    from hil.report.site.gather import Gathered
    from hil.report.site.publish import Published
    from hil.store.index import Index
    from hil.store.index.rows import RunRow


@click.command("site")
@click.argument("roots", nargs=-1, type=click.Path(exists=True, path_type=Path), metavar="[RUN]...")
@shared.database
@click.option(
    "--out",
    required=True,
    type=shared.NEW_FOLDER,
    help="Folder of the site; made, or brought up to date.",
)
@click.option(
    "--campaigns",
    multiple=True,
    type=click.Path(exists=True, path_type=Path),
    help="Folder with campaigns of hil defects and hil population (default: runs), or a file of "
    "hil defects --json. Repeatable.",
)
@click.option(
    "--traces",
    type=click.IntRange(0),
    default=5,
    show_default=True,
    help="So many of the newest runs of each rig can be compared; the last good one always.",
)
@click.option(
    "--reports",
    type=click.IntRange(0),
    default=0,
    show_default=True,
    help="Copy the reports of so many of the newest runs of each rig into the site.",
)
@shared.rig_name
@shared.evidence
@shared.json_file("Write what was built as JSON.")
def site(
    roots: tuple[Path, ...],
    database: str | None,
    out: Path,
    campaigns: tuple[Path, ...],
    traces: int,
    reports: int,
    rig: str | None,
    evidence: str | None,
    json_file: Path | None,
) -> None:
    """Build a site of pages: which build changed what, trends, runs, comparisons, campaigns.

    The runs are those of the index (see hil index), or the run folders RUN, or those below RUN.
    Pages whose content has not changed are not written again. Open index.html in OUT.
    """
    from hil.report.history import changes_of
    from hil.report.site.build import Site
    from hil.report.site.campaigns import campaigns_in
    from hil.report.site.gather import gather
    from hil.report.site.publish import publish
    from hil.report.site.workers import sharing, workers

    if roots and database:
        raise click.UsageError("name run folders or an index (--database), not both")
    places = campaigns or roots or ((shared.RUNS,) if shared.RUNS.is_dir() else ())

    def asked(run: RunRow) -> bool:
        return rig in (None, run.rig) and evidence in (None, run.evidence)

    with _index(roots, database) as (index, unreadable):
        figures = sum(run.measures for run in index.runs() if asked(run))
        with workers(figures) as pool:
            strands = gather(index, partial(changes_of, share=sharing(pool)), asked)
            found = campaigns_in(places).also_unreadable(unreadable)
            whole = Site(out.absolute(), strands, found, traces=traces, reports=reports)
            done = publish(out, whole.pieces(), pool)
    facts = _facts(out, strands, whole.campaigns.unreadable, done)
    for line in _lines(facts):
        click.echo(line)
    if json_file is not None:
        shared.write_json(json_file, facts)


@contextmanager
def _index(
    roots: tuple[Path, ...], database: str | None
) -> Iterator[tuple[Index, tuple[str, ...]]]:
    """The index asked for, or one of the named folders for this time only; what is unreadable."""
    from hil.store.index import DEFAULT, open_index

    if not roots:
        with open_index(database or DEFAULT, create=False) as index:
            yield index, ()
        return
    with (
        tempfile.TemporaryDirectory(prefix="hil-site-") as folder,
        open_index(Path(folder) / "index.db") as index,
    ):
        found = index.rebuild(roots)
        # An altered run that is in the index is shown, and marked there.
        shown = {run.path for run in index.runs()}
        altered = (one for one in found.altered if one.path not in shown)
        lost = (*found.unreadable, *altered, *found.copies)
        yield index, tuple(f"{one.path}: {one.reason}" for one in lost)


def _facts(
    out: Path, strands: list[Gathered], unreadable: tuple[str, ...], done: Published
) -> dict[str, Any]:
    return {
        "site": str(out / "index.html"),
        "strands": [
            {
                **asdict(one.strand),
                "runs": len(one.runs),
                "builds": len(one.builds),
                "items": len(one.items),
                "series": one.watched,
                "changes": len(one.changes),
            }
            for one in strands
        ],
        "unreadable": list(unreadable),
        "written": len(done.written),
        "kept": done.kept,
        "removed": len(done.removed),
        "bytes": done.size,
    }


def _lines(facts: dict[str, Any]) -> list[str]:
    lines = []
    for one in facts["strands"]:
        stamp = "SIMULATED " if one["evidence"] != "bench" else ""
        lines.append(
            f"{stamp}{one['rig']}: "
            + ", ".join(many(one[f"{what}s"], what) for what in ("run", "build", "item"))
            + f", {one['series']} series, {many(one['changes'], 'change')}"
        )
    if not lines:
        lines.append("no runs")
    lines += [f"not shown: {line}" for line in facts["unreadable"]]
    lines.append(
        f"{facts['written']} files written, {facts['kept']} kept, {facts['removed']} removed, "
        f"{facts['bytes'] / 1e6:.1f} MB"
    )
    lines.append(facts["site"])
    return lines
