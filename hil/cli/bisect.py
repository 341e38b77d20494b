"""``hil bisect``: which build changed a measure, by few runs of few builds."""

from __future__ import annotations

import json
import sys
import time
from typing import TYPE_CHECKING, Any

import click

from hil.cli import shared
from hil.cli.ending import terminated_as_interrupted

if TYPE_CHECKING:
    from hil.verdicts.bisection import Search

#: Beside those of every command: 1 other trouble, 2 a file or option, 3 the bench.
EXIT_NO_CHANGE, EXIT_UNDECIDED, EXIT_NO_END = 4, 5, 6


@click.command("bisect")
@click.argument("good")
@click.argument("bad")
@click.option("--plan", type=shared.FILE, required=True, help="Plan with the item.")
@click.option("--item", required=True, help="Id of the item that is run of each build.")
@click.option("--measure", default="", help="What changed; whether the item passes if left out.")
@click.option(
    "--repository", type=shared.FOLDER, help="Git repository; GOOD and BAD are revisions."
)
@click.option(
    "--builds", "list_file", type=shared.FILE,
    help="List of builds instead, one a line, oldest first; GOOD and BAD are of it, or positions.",
)  # fmt: skip
@click.option("--build-command", default="", help="Makes {out} from {build} in {source}.")
@click.option("--flash-command", default="", help="Puts {out} on the board; the rig's if left out.")
@click.option("--expect-build", default="", help="What the board must report, such as {short}.")
@shared.rig_file
@click.option("--bench", type=click.Choice(["twin", "hardware"]), default="twin", show_default=True)
@click.option(
    "--risk",
    type=click.FloatRange(0.001, 0.4),
    default=0.05,
    show_default=True,
    help="Probability of naming a wrong build that you accept.",
)
@click.option(
    "--most-ends",
    type=click.IntRange(6),
    default=30,
    show_default=True,
    help="Runs of each end before it is said that nothing changed.",
)
@click.option(
    "--most",
    type=click.IntRange(12),
    default=400,
    show_default=True,
    help="Runs in all before it gives up.",
)
@click.option(
    "--build-cost",
    type=click.FloatRange(0.0),
    default=1.0,
    show_default=True,
    help="Effort of making a build, in runs.",
)
@click.option(
    "--build-limit",
    type=click.FloatRange(1.0),
    default=600.0,
    show_default=True,
    help="Time limit of a build or flash command, s.",
)
@click.option(
    "--run-limit",
    type=click.FloatRange(1.0),
    default=1800.0,
    show_default=True,
    help="Time limit of a run, s.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the first run.")
@click.option(
    "--work",
    type=shared.NEW_FOLDER,
    help="Folder of this search; found again by what is asked if left out.",
)
@shared.json_file("Write the result as JSON here as well.")
def bisect(good: str, bad: str, **options: Any) -> None:
    """Find the build between GOOD and BAD that changed a measure.

    Every run goes through pytest as at night; how often a build is run follows from the scatter.
    Builds that cannot be made or flashed are skipped, and the answer may become a range. The same
    command goes on where an earlier one was interrupted.

    Commands are words quoted as for a shell, or a JSON list; no shell is run. {build}, {short},
    {out} and {source} stand for the commit or line of the list, the same cut to 12 digits, the
    file to be made, and the folder with the sources, which is also where commands run.

    Exit code 0: a build or range was found. 4: no change is seen between GOOD and BAD.
    5: undecided, out of runs. 6: GOOD or BAD cannot be made or run. 1, 2, 3: as every command.
    """
    from hil.cli.bisect_asked import asked, fixed, new_search, work_folder
    from hil.cli.bisect_run import BuiltBench
    from hil.cli.bisect_told import as_json, conclusion, visit_line
    from hil.scenarios.bisect import find
    from hil.scenarios.bisect_journal import Journal
    from hil.verdicts.bisection_finding import Outcome

    question, builds, unit = asked(good, bad, options)
    rate = not question.measure
    search = new_search(len(builds) - 1, options, rate=rate)
    work = options["work"] or work_folder(question, builds, options)
    what = f"{question.measure or 'whether it passes'} of {question.item}"
    if question.bench == "twin":
        click.echo("SIMULATED: no motor turned.")
    click.echo(f"{len(builds)} builds, {builds[0].short} to {builds[-1].short}: {what}")
    for line in _beforehand(search):
        click.echo(line)
    click.echo(f"{work}")
    begun = time.monotonic()
    said = [False]

    def tell(visit: Any) -> None:
        if search.expected is not None and not said[0]:
            said[0] = True
            click.echo(f"GOOD and BAD differ; about {search.expected:.0f} runs in all are expected")
        click.echo(visit_line(visit, builds, unit, rate=rate))

    with Journal(work / "state.jsonl", fixed(question, builds, options)) as journal:
        resumed = len(journal.events)
        if resumed:
            click.echo(f"going on after {resumed} runs and skips that are kept")
        with terminated_as_interrupted():
            found = find(search, journal, BuiltBench(question, builds, work), tell)
    for line in conclusion(found, builds, unit, what, rate=rate):
        click.echo(line)
    content = {
        **as_json(found, builds),
        "good": builds[0].name,
        "bad": builds[-1].name,
        "item": question.item,
        "measure": question.measure or None,
        "unit": unit,
        "risk": options["risk"],
        "expected_runs": search.expected,
        "simulated": question.bench == "twin",
        "kept_from_before": resumed,
        "tried": {str(build): values for build, values in _plain(search).items()},
        "skipped": sorted(search.skipped),
        "folder": str(work),
        "seconds": time.monotonic() - begun,
    }
    text = json.dumps(content, indent=2, allow_nan=False) + "\n"
    (work / "result.json").write_text(text, encoding="utf-8")
    if options["json_file"] is not None:
        options["json_file"].write_text(text, encoding="utf-8")
    code = {
        Outcome.FOUND: 0,
        Outcome.NO_CHANGE: EXIT_NO_CHANGE,
        Outcome.UNDECIDED: EXIT_UNDECIDED,
        Outcome.NO_END: EXIT_NO_END,
    }[found.outcome]
    if code:
        _tell_ends(search)
        sys.exit(code)


def _beforehand(search: Search) -> list[str]:
    """What can be said before anything has run."""
    between = search.last - 1
    steps = min(between, between.bit_length())
    return [
        f"first 6 runs or more of GOOD and BAD each, then about {steps} of the {between} between;",
        f"how often each is run follows from the scatter (risk {100 * search.risk:g} %)",
    ]


def _plain(search: Search) -> dict[int, list[float | None]]:
    return {
        build: [None if value != value else value for value in values]  # noqa: PLR0124 - NaN
        for build, values in sorted(search.runs.items())
    }


def _tell_ends(search: Search) -> None:
    """Which build was in the way, where one was."""
    for end, name in ((0, "GOOD"), (search.last, "BAD")):
        if end in search.skipped:
            click.echo(f"{name} was skipped; its build.log or flash.log says why", err=True)


__all__ = ["bisect"]
