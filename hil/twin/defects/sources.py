"""Defects seeded into firmware in C: a macro defined otherwise, or a few words of a source edited.

The sources themselves stay as they are, and as readable: edited copies are compiled instead.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import PlanError
from hil.twin.jit import cache_home


@dataclass(frozen=True, slots=True)
class Macro:
    """A macro that is given to the compiler; `value` as it stands there."""

    name: str
    value: str

    @property
    def path(self) -> str:
        """The parameter as `hil.twin.variation` names it."""
        return f"firmware.defines.{self.name}"

    def __str__(self) -> str:
        return f"-D{self.name}={self.value}" if self.value else f"-D{self.name}"


@dataclass(frozen=True, slots=True)
class Edit:
    """Words of a source or header that are replaced.

    Parameters
    ----------
    file : name of the file, without folders.
    find : the words, as they stand there exactly once. replace : what comes in their place.
    """

    file: str
    find: str
    replace: str

    def __str__(self) -> str:
        words = textwrap.shorten(self.replace, 60, placeholder=" ...") or "nothing"
        return f"{self.file}: {words}"

    def applied(self, text: str) -> str:
        """The text with the edit made.

        Raises
        ------
        ValueError
            Unless what is to be replaced stands there exactly once.
        """
        found = text.count(self.find)
        if found != 1:
            words = " ".join(self.find.split())
            raise ValueError(f"expected {words!r} once in {self.file}, found it {found} times")
        return text.replace(self.find, self.replace)


def edited(
    sources: Sequence[Path],
    headers: Sequence[Path],
    include: Sequence[Path],
    edits: Iterable[Edit],
    folder: Path | None = None,
) -> tuple[tuple[Path, ...], tuple[Path, ...]]:
    """Copies of sources and headers with edits made, laid out as the originals are.

    Parameters
    ----------
    sources, headers, include : files, and the folders in which headers are looked for.
    folder : where copies are kept, under a name made from their content; the user's cache by
        default.

    Returns
    -------
    The copies of `sources`, and of `include` those folders first that have been copied.

    Raises
    ------
    PlanError
        If an edit names no file, or more than one, or does not fit.
    """
    files = {one.resolve(): one.read_text("utf-8", "surrogateescape") for one in sources}
    files |= {one.resolve(): one.read_text("utf-8", "surrogateescape") for one in headers}
    for edit in edits:
        places = [one for one in files if one.name == edit.file]
        if len(places) != 1:
            raise PlanError(
                f"an edit names {edit.file}, of which there are {len(places)} among "
                f"{', '.join(sorted({one.name for one in files}))}"
            )
        try:
            files[places[0]] = edit.applied(files[places[0]])
        except ValueError as error:
            raise PlanError(str(error), file=str(places[0])) from error
    top = Path(os.path.commonpath([one.parent for one in files]))
    digest = hashlib.sha256()
    for one, text in sorted(files.items()):
        digest.update(f"{one.relative_to(top)}\0{text}\0".encode("utf-8", "surrogateescape"))
    home = (folder or cache_home() / "firmware") / f"edited-{digest.hexdigest()[:24]}"
    if not home.exists():
        _write({one.relative_to(top): text for one, text in files.items()}, home)
    copied = tuple(home / one.resolve().relative_to(top) for one in sources)
    folders = [one.resolve() for one in include]
    inside = [home / one.relative_to(top) for one in folders if one.is_relative_to(top)]
    return copied, (*inside, *folders)


def _write(files: dict[Path, str], home: Path) -> None:
    """Write all of it, or nothing; another process may be at the same."""
    home.parent.mkdir(parents=True, exist_ok=True)
    draft = Path(tempfile.mkdtemp(prefix="edited-", suffix=".partial", dir=home.parent))
    try:
        for name, text in files.items():
            path = draft / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, "utf-8", "surrogateescape")
        try:
            draft.rename(home)
        except OSError:
            if not home.is_dir():
                raise
    finally:
        shutil.rmtree(draft, ignore_errors=True)
