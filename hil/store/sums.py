"""The manifest of a dossier: a list that ``sha256sum --check`` reads, with the chain as comments.

Every byte of it counts: what `read_sums` accepts is exactly what `write_sums` would write.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import StoreError
from hil.store.atomic import replace_file
from hil.store.hashing import Hashed, chain, hashes_below
from hil.store.intact import ALTERED, Checked, Difference, compare

SUMS = "manifest.sha256"
SIGNATURE = "manifest.sha256.sig"
FORMAT = 1

#: Stands on top of every list; how to follow it is told at length in HOW-TO-VERIFY.txt.
_HEAD = (
    f"# Hashes of every file of this dossier, format {FORMAT}.",
    "# Check all files:  sha256sum --check --strict manifest.sha256",
    "# The line '# chain' after a file is the SHA-256 of: the chain value before it, one space,",
    "# the line of the file, a line end. The first value is the SHA-256 of these five lines.",
    "# The last value is the seal: it depends on every byte above it, and stands below once more.",
)
_CHAIN = "# chain "
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")


@dataclass(frozen=True, slots=True)
class Sums:
    """The files of a dossier in the order of their names."""

    files: tuple[Hashed, ...]

    def _links(self) -> list[str]:
        return chain("".join(f"{line}\n" for line in _HEAD), self.files)

    @property
    def seal(self) -> str:
        """One hash that depends on everything."""
        return self._links()[-1]

    def text(self) -> str:
        """The file, always the same for the same content."""
        links = self._links()
        lines = [*_HEAD, _CHAIN + links[0]]
        for file, after in zip(self.files, links[1:], strict=True):
            lines += [file.line, _CHAIN + after]
        lines.append(f"# seal of {len(self.files)} files: {links[-1]}")
        return "".join(f"{line}\n" for line in lines)


def write_sums(folder: Path) -> Sums:
    """Hash every file of `folder` and write the list.

    Raises
    ------
    StoreError
        If a file cannot be read or listed, or the list not be written.
    """
    made = Sums(tuple(hashes_below(folder, leave_out=(SUMS, SIGNATURE))))
    replace_file(folder / SUMS, made.text().encode())
    return made


def read_sums(folder: Path) -> Sums:
    """The list of a dossier.

    Raises
    ------
    StoreError
        If there is none, or a single character of it is not as it was written: names the place.
    """
    path = folder / SUMS
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise StoreError(f"{path}: no readable manifest: {problem.strerror}") from problem
    try:
        lines = content.decode().split("\n")
    except UnicodeDecodeError as problem:
        raise StoreError(f"{path}: altered: {problem}") from problem
    matches = [_LINE.fullmatch(line) for line in lines if line and not line.startswith("#")]
    made = Sums(tuple(Hashed(match[2], match[1]) for match in matches if match))
    if made.text().encode() != content:
        raise StoreError(f"{path}: altered: {_first_difference(made.text().split(chr(10)), lines)}")
    return made


def _first_difference(expected: Sequence[str], found: Sequence[str]) -> str:
    number = next(
        (n for n, (one, other) in enumerate(zip(expected, found, strict=False)) if one != other),
        min(len(expected), len(found)),
    )
    said = found[number] if number < len(found) else "its end"
    if said.startswith(_CHAIN) and number > len(_HEAD):
        return f"line {number + 1}: the chain breaks at {found[number - 1][66:] or 'the top'}"
    return f"line {number + 1}: found {said[:80]!r}"


def check_sums(folder: Path) -> Checked:
    """Hold a dossier against its list.

    Raises
    ------
    StoreError
        If there is no list, or the folder cannot be read.
    """
    if not (folder / SUMS).is_file():
        raise StoreError(f"{folder}: there is no {SUMS}: no dossier, or an incomplete one")
    try:
        sums = read_sums(folder)
    except StoreError as problem:
        text = str(problem).partition(": altered: ")[2] or str(problem)
        return Checked("", 0, (Difference(SUMS, ALTERED, text),))
    differences, _ = compare(folder, sums.files, (SUMS, SIGNATURE))
    return Checked(sums.seal, len(sums.files), tuple(differences))
