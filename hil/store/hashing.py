"""Hashes of the files of a folder, chained: each link depends on every file before it.

The chain is plain enough to be followed with ``sha256sum`` alone: a link is the SHA-256 of the
former link, a space, and the line ``HASH, two spaces, PATH`` with its line end.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from hil.core.errors import StoreError

_BLOCK = 1 << 20
#: Line ends would break the list, and a backslash makes ``sha256sum`` quote a name.
_FORBIDDEN = ("\n", "\r", "\\")


@dataclass(frozen=True, slots=True)
class Hashed:
    """A file and its SHA-256.

    Parameters
    ----------
    path : from the folder, with ``/``.
    sha256 : in lower-case hexadecimal.
    """

    path: str
    sha256: str

    @property
    def line(self) -> str:
        """As ``sha256sum`` writes it, without the line end."""
        return f"{self.sha256}  {self.path}"


def digest(path: Path) -> str:
    """SHA-256 of a file in hexadecimal.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    found = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                found.update(block)
    except OSError as problem:
        raise StoreError(f"{path}: cannot be read: {problem.strerror or problem}") from problem
    return found.hexdigest()


def names_below(folder: Path, leave_out: Collection[str] = ()) -> list[str]:
    """Every file below `folder` as a path from it, in the order of the bytes of its name.

    Raises
    ------
    StoreError
        For what is no plain file (a link could point to something that changes), for a name that
        cannot stand in a list, and for a folder that cannot be read.
    """
    return sorted(
        (name for name in _walk(folder) if name not in leave_out), key=lambda name: name.encode()
    )


def _walk(folder: Path) -> Iterator[str]:
    def refuse(problem: OSError) -> None:
        raise StoreError(f"{problem.filename}: cannot be read: {problem.strerror}") from problem

    for place, folders, files in os.walk(folder, onerror=refuse):
        here = Path(place)
        for name in [*files, *(one for one in folders if (here / one).is_symlink())]:
            path = here / name
            if path.is_symlink() or not path.is_file():
                raise StoreError(f"{path}: expected a plain file, found a link or a device")
            relative = path.relative_to(folder).as_posix()
            try:
                relative.encode()
            except UnicodeEncodeError:
                raise StoreError(f"{path!r}: its name is no UTF-8 text") from None
            if any(mark in relative for mark in _FORBIDDEN):
                raise StoreError(f"{relative!r}: a line end or backslash cannot stand in a list")
            yield relative


def hashes_below(folder: Path, leave_out: Collection[str] = ()) -> list[Hashed]:
    """Every file below `folder` with its hash, in the order of `names_below`.

    Raises
    ------
    StoreError
        As `names_below` and `digest`.
    """
    return [Hashed(name, digest(folder / name)) for name in names_below(folder, leave_out)]


def link(former: str, line: str) -> str:
    """The next link of a chain: SHA-256 of the former one, a space, the line and its line end."""
    return hashlib.sha256(f"{former} {line}\n".encode()).hexdigest()


def chain(head: str, files: Iterable[Hashed]) -> list[str]:
    """The links after each file; `head` is the text that the chain begins with.

    The first former link is the SHA-256 of `head`; without files it is the only link.
    """
    links = [hashlib.sha256(head.encode()).hexdigest()]
    for one in files:
        links.append(link(links[-1], one.line))
    return links
