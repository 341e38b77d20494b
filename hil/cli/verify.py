"""``hil verify``: whether a dossier, or a run folder, still is what its manifest says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from hil.cli import shared

#: Something was altered, is missing or was added; or the signature does not fit.
EXIT_ALTERED, EXIT_SIGNATURE = 6, 7
_MOST_SHOWN = 10


@click.command("verify")
@click.argument("folder", type=shared.FOLDER)
@click.option(
    "--key",
    type=shared.FILE,
    help="Public key (Ed25519, PEM) that the signature of a dossier must fit.",
)
@shared.json_file("Write what was found as JSON.")
def verify(folder: Path, key: Path | None, json_file: Path | None) -> int:
    """Name the first altered, missing or added file of FOLDER, a dossier or a run.

    A link or a device among the files is an alteration, too.

    Exit code 0: intact; 6: not; 7: the files are intact, but the signature does not fit.
    """
    from hil.report.dossier.verify import verified

    found = verified(folder, key)
    differences = found.checked.differences
    for line in found.lines(_MOST_SHOWN):
        click.echo(line)
    if json_file is not None:
        facts: dict[str, Any] = {
            "folder": str(folder),
            "kind": found.kind,
            "intact": found.checked.intact,
            "seal": found.checked.seal,
            "files": found.checked.files,
            "signature": found.signature,
            "differences": [
                {"path": one.path, "kind": one.kind, "text": one.text} for one in differences
            ],
            "thinned": list(found.checked.thinned),
        }
        shared.write_json(json_file, facts)
    if differences:
        return EXIT_ALTERED
    return 0 if found.signature_fits else EXIT_SIGNATURE
