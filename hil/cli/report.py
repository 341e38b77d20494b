"""``hil report``: everything derived from a record, derived again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from hil.cli import shared
from hil.core.record import to_check

if TYPE_CHECKING:
    from hil.store.reading import RunRecord


@click.command("report")
@click.argument("run", type=click.Path(exists=True, path_type=Path))
@click.option(
    "--csv",
    "csv_folder",
    type=shared.NEW_FOLDER,
    help="Write every trace that can be read into this folder as CSV too.",
)
@click.option(
    "--summary",
    "summary_file",
    type=shared.NEW_FILE_OR_OUTPUT,
    metavar="FILE",
    help="Append a short page in Markdown to FILE, as pipelines show it beside a job; - prints it.",
)
@click.option(
    "--artefacts",
    "address",
    default="",
    metavar="URL",
    help="Where the pipeline keeps the run folder: the summary links it.",
)
@shared.json_file("Write counts, items, file names and operating points as JSON.")
def report(
    run: Path,
    csv_folder: Path | None,
    summary_file: Path | None,
    address: str,
    json_file: Path | None,
) -> None:
    """Rebuild junit.xml, measures.csv and report.html of the run folder RUN from its record.

    The exit code says whether that worked, not how the run was judged.
    """
    from hil.core.errors import StoreError
    from hil.ports.clock import utc_now
    from hil.report.rebuild import rebuild
    from hil.report.summary import facts, operating_facts
    from hil.store.manifest import DERIVED, renew

    record = rebuild(run)
    found = facts(record)
    printed = summary_file is not None and str(summary_file) == "-"
    for line in _lines(found):
        click.echo(line, err=printed)
    try:
        renew(record.path, DERIVED, utc_now())
    except StoreError as problem:  # the files are there; that the run was altered must be seen
        click.echo(f"The manifest was left as it is: {problem}", err=True)
    if csv_folder is not None:
        written = _write_tables(record, csv_folder)
        click.echo(f"{written} as CSV in {csv_folder}", err=printed)
    if summary_file is not None:
        _summarise(record, summary_file, address)
    if json_file is not None:
        shared.write_json(json_file, found | {"operating_points": operating_facts(record)})


def _summarise(record: RunRecord, file: Path, address: str) -> None:
    """Append the page of a run, within what pages of other runs have left of the largest size."""
    from hil.report.job_summary import MOST_BYTES, job_summary

    if str(file) == "-":
        click.echo(job_summary(record, address), nl=False)
        return
    taken = file.stat().st_size if file.is_file() else 0
    apart = "\n" if taken else ""  # what stands there need not end its line
    page = job_summary(record, address, MOST_BYTES - taken - len(apart))
    if not page:
        words = f"{file}: full at {MOST_BYTES // 1000} kB, run {record.start.run} is not in it"
        click.echo(words, err=True)
        return
    with file.open("a", encoding="utf-8", newline="\n") as opened:
        opened.write(apart + page)


def _write_tables(record: RunRecord, folder: Path) -> str:
    """How many traces were written; one that cannot be read is told as a problem of the run."""
    from hil.core.count import many
    from hil.core.errors import StoreError
    from hil.store.table import timed_csv
    from hil.store.trace_table import overview_csv, trace_csv
    from hil.store.traces import read_trace

    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for file in sorted((record.path / "traces").glob("*.parquet")):
        try:
            table = trace_csv(read_trace(file))
        except StoreError:
            continue
        (folder / f"{file.stem}.csv").write_bytes(table)
        written.append(file.name)
    (folder / "traces.csv").write_bytes(overview_csv(record, written))
    (folder / "measures.csv").write_bytes(timed_csv(record))
    return many(len(written), "trace")


def _lines(found: dict[str, Any]) -> list[str]:
    """What to print: how it went, what did not pass, and where the files are."""
    lines = to_check(found["unsafe"])
    lines += ["SIMULATED: no motor turned."] if found["simulated"] else []
    counts = ", ".join(f"{number} {word}" for word, number in found["counts"].items() if number)
    lines.append(f"run {found['run']}: {counts or 'no items'}")
    if not found["complete"]:
        lines.append("The run did not come to its end.")
    if found["resumed"]:
        lines.append(f"Resumed after an interruption: {', '.join(found['resumed'])}")
    lines += [f"  unreadable: {line}" for line in found["problems"]]
    lines += [
        f"  {item['standing']:<12}{item['name']}: {item['reason']}"
        for item in found["items"]
        if item["standing"] != "pass"
    ]
    return [*lines, *found["files"].values()]
