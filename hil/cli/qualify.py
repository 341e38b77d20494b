"""``hil qualify``: runs of one firmware held against the requirements of a release."""

from __future__ import annotations

from pathlib import Path

import click

from hil.cli import shared

#: Not qualified; not qualified, but every open requirement is under a waiver that holds.
EXIT_NOT_QUALIFIED, EXIT_ONLY_WAIVED = 4, 5


@click.command("qualify")
@click.argument("requirements", type=shared.FILE)
@click.argument("runs", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="Folder of the dossier, new."
)
@click.option(
    "--previous",
    type=shared.FOLDER,
    help="Dossier of the release before: every change in what is asked for, and "
    "in what was measured, is listed.",
)
@click.option(
    "--defects",
    "campaigns",
    multiple=True,
    type=shared.FOLDER,
    help="Campaign of hil defects: which seeded defects the plans catch. Repeatable.",
)
@click.option(
    "--index",
    metavar="URL",
    help="Index of earlier runs: what a measure differs by from one to the next, with --previous.",
)
@click.option("--waivers", type=shared.FILE, help="Waiver file.")
@click.option("--sign", "key", type=shared.FILE, help="Private key (Ed25519, PEM) to sign with.")
@click.option("--pdf", is_flag=True, help="Print the page to PDF too (pip install 'hil[pdf]').")
@shared.json_file("Write the facts of the dossier to this file too.")
def qualify(
    requirements: Path,
    runs: tuple[Path, ...],
    out: Path,
    previous: Path | None,
    campaigns: tuple[Path, ...],
    index: str | None,
    waivers: Path | None,
    key: Path | None,
    pdf: bool,
    json_file: Path | None,
) -> int:
    """Hold the run folders RUNS against REQUIREMENTS and make a dossier.

    Exit code 0: qualified; 4: NOT qualified; 5: NOT qualified, and every open requirement is
    waived; 1 or 2: no dossier was made.
    """
    from hil.ports.clock import utc_now
    from hil.report.dossier.facts import facts
    from hil.report.dossier.release import Outcome
    from hil.report.dossier.told import lines
    from hil.report.dossier.write import Wanted, make_dossier

    wanted = Wanted(requirements, runs, out, previous, waivers, key, pdf, campaigns, index)
    release, seal = make_dossier(wanted, utc_now())
    for line in lines(release, out, seal):
        click.echo(line)
    if json_file is not None:
        told = facts(release) | {"seal": seal}
        shared.write_json(json_file, told)
    codes = {Outcome.QUALIFIED: 0, Outcome.ONLY_WAIVED: EXIT_ONLY_WAIVED}
    return codes.get(release.outcome, EXIT_NOT_QUALIFIED)
