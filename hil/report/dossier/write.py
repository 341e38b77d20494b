"""The folder of a dossier: copies of the runs, pages, data, and a manifest over all of it.

The folder appears at once and complete, or not at all. What is judged are the copies.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hil.core.errors import StoreError
from hil.plan.requirements import load_requirements
from hil.plan.waivers import load_waivers
from hil.report.dossier.earlier import scatters
from hil.report.dossier.facts import FORMAT, facts
from hil.report.dossier.measured import Key, Source, gather
from hil.report.dossier.page import page, schema_text
from hil.report.dossier.pdf import require_pdf, write_pdf
from hil.report.dossier.release import Previous, Release, qualify
from hil.report.dossier.runs import RunFacts, look_at
from hil.report.dossier.verify import PUBLIC_KEY
from hil.report.dossier.words import how_to_verify
from hil.report.items import listing
from hil.report.site.campaigns import read_defects
from hil.store.atomic import replace_file
from hil.store.hashing import names_below
from hil.store.index import open_index
from hil.store.reading import RECORD, read
from hil.store.signature import Signer
from hil.store.sums import SIGNATURE, SUMS, check_sums, write_sums
from hil.verdicts.moved import Scatter

PAGE, DATA, SCHEMA, PDF = "dossier.html", "dossier.json", "dossier.schema.json", "dossier.pdf"
HOW = "HOW-TO-VERIFY.txt"
RUNS, INPUTS, PREVIOUS, CAMPAIGNS = "runs", "inputs", "previous", "campaigns"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a dossier is made of.

    Parameters
    ----------
    campaigns : folders of `hil defects`, evidence about the plans.
    key : private key that it is signed with.
    index : of earlier runs, which tell how measures scatter; only used with `previous`.
    """

    requirements: Path
    runs: Sequence[Path]
    out: Path
    previous: Path | None = None
    waivers: Path | None = None
    key: Path | None = None
    pdf: bool = False
    campaigns: Sequence[Path] = ()
    index: str | None = None


def make_dossier(wanted: Wanted, made: str) -> tuple[Release, str]:
    """Make the dossier; `made` is the UTC of now. Returns what it says, and its seal.

    Raises
    ------
    PlanError
        For a requirement, waiver or key file that is wrong.
    StoreError
        If `out` is there already, a run is unreadable, runs are of more than one firmware, the
        dossier of the release before is not intact, or something cannot be written.
    HilError
        If an optional library is missing that was asked for.
    """
    file = load_requirements(wanted.requirements)
    waivers = load_waivers(wanted.waivers) if wanted.waivers is not None else ()
    signer = Signer(wanted.key) if wanted.key is not None else None
    if wanted.pdf:
        require_pdf()
    previous = read_previous(wanted.previous) if wanted.previous is not None else None
    folders, campaigns = _folders(wanted.runs), _campaigns(wanted.campaigns)
    with _draft(wanted.out) as draft:
        for folder in folders:
            copy_folder(folder, draft / RUNS / folder.name)
        not_needed = file.calibration_not_needed
        runs = [look_at(draft / RUNS / folder.name, not_needed) for folder in folders]
        for folder in campaigns:
            copy_folder(folder, draft / CAMPAIGNS / folder.name)
        shown = [read_defects(draft / CAMPAIGNS / folder.name) for folder in campaigns]
        earlier = _earlier(wanted, runs, previous)
        release = qualify(file, runs, waivers, previous, made, shown, earlier)
        for given in (wanted.requirements, wanted.waivers):
            if given is not None:
                _copy(given, draft / INPUTS / given.name)
        if wanted.previous is not None:
            for name in (DATA, SUMS):
                _copy(wanted.previous / name, draft / PREVIOUS / name)
        told = facts(release)
        replace_file(draft / DATA, (json.dumps(told, indent=1) + "\n").encode())
        replace_file(draft / SCHEMA, schema_text().encode())
        replace_file(draft / HOW, how_to_verify().encode())
        replace_file(draft / PAGE, page(release, signed=signer is not None).encode())
        if wanted.pdf:
            write_pdf(draft / PAGE, draft / PDF)
        if signer is not None:
            replace_file(draft / PUBLIC_KEY, signer.public_pem())
        seal = write_sums(draft).seal
        if signer is not None:
            replace_file(draft / SIGNATURE, signer.sign((draft / SUMS).read_bytes()))
    return release, seal


def read_previous(folder: Path) -> Previous:
    """The release before, from its dossier.

    Raises
    ------
    StoreError
        If it is no dossier, or not intact: names the first difference.
    """
    checked = check_sums(folder)
    if not checked.intact:
        raise StoreError(f"{folder}: the dossier is not intact: {checked.differences[0]}")
    try:
        told: dict[str, Any] = json.loads((folder / DATA).read_bytes())
        if told["format"] > FORMAT:
            raise StoreError(f"{folder / DATA}: format {told['format']} is newer than {FORMAT}")
        names = (told["firmware"][key] for key in ("maker", "model", "revision"))
        return Previous(
            release=told["release"],
            made=told["made"],
            firmware=" ".join(name for name in names if name) or "unknown firmware",
            summary=told["summary"],
            seal=checked.seal,
            basis=told["basis"],
            simulated=told["simulated"],
            runs=tuple(run["run"] for run in told["runs"]),
            measured=gather(_source(folder, run) for run in told["runs"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as problem:
        raise StoreError(f"{folder / DATA}: not what a dossier says: {problem!r}") from problem


def _source(folder: Path, told: dict[str, Any]) -> Source:
    """A run of the release before, from the copy that its dossier holds."""
    record = read(folder / RUNS / Path(told["folder"]).name)
    items = listing(record, every_part=True)
    return Source(record.start.run, record.start.simulated, items, tuple(told["doubts"]))


def _folders(runs: Sequence[Path]) -> list[Path]:
    """The run folders, each readable, no name twice (a link in the path is followed)."""
    found: dict[str, Path] = {}
    for run in runs:
        folder = (run.parent if run.name == RECORD else run).resolve()
        read(folder)  # an unreadable record is told with the path that the user knows
        if folder.name in found:
            raise StoreError(
                f"{folder}: a run of that name is named twice, see {found[folder.name]}"
            )
        found[folder.name] = folder
    return list(found.values())


def _earlier(
    wanted: Wanted, runs: Sequence[RunFacts], previous: Previous | None
) -> Mapping[Key, Scatter]:
    """How measures scatter between earlier runs on the rigs of this release."""
    if wanted.index is None or previous is None:
        return {}
    with open_index(wanted.index, create=False) as index:
        compared = {run.name for run in runs} | set(previous.runs)
        return scatters(index, {run.record.start.rig for run in runs}, compared)


def _campaigns(places: Sequence[Path]) -> list[Path]:
    """The folders of campaigns, each readable, no name twice."""
    found: dict[str, Path] = {}
    for folder in dict.fromkeys(place.resolve() for place in places):
        read_defects(folder)
        if folder.name in found:
            raise StoreError(f"{folder}: a campaign of that name is at {found[folder.name]}, too")
        found[folder.name] = folder
    return list(found.values())


def copy_folder(source: Path, target: Path) -> None:
    """Copy every plain file of a folder.

    Raises
    ------
    StoreError
        For links and devices, and if something cannot be read or written.
    """
    for name in names_below(source):
        _copy(source / name, target / name)


def _copy(source: Path, target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
    except OSError as problem:
        raise StoreError(f"{source}: cannot be copied: {problem.strerror or problem}") from problem


@contextlib.contextmanager
def _draft(out: Path) -> Iterator[Path]:
    """A folder beside `out` that takes its place when all went well."""
    if out.exists():
        raise StoreError(f"{out}: is there already; a dossier is made once, name another folder")
    draft = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        draft.mkdir()
    except OSError as problem:
        raise StoreError(f"{out}: cannot be made: {problem.strerror or problem}") from problem
    try:
        yield draft
        try:
            draft.rename(out)
        except OSError as problem:
            raise StoreError(f"{out}: cannot be made: {problem.strerror or problem}") from problem
    except BaseException:
        shutil.rmtree(draft, ignore_errors=True)
        raise
