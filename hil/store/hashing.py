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
    names, odd = entries_below(folder)
    if odd:
        raise StoreError(f"{folder}/{odd[0].shown}: {odd[0].why}")
    return [name for name in names if name not in leave_out]


@dataclass(frozen=True, slots=True)
class Odd:
    """Something below a folder that no list of hashes can have, and why."""

    path: str
    why: str

    @property
    def shown(self) -> str:
        """Its path on one line, whatever is in it."""
        return repr(self.path)[1:-1]


def entries_below(folder: Path) -> tuple[list[str], list[Odd]]:
    """Every file below `folder`, and whatever else is there, each in the order of `names_below`.

    Raises
    ------
    StoreError
        For a folder that cannot be read.
    """
    names: list[str] = []
    odd: list[Odd] = []
    for path in _walk(folder):
        relative = path.relative_to(folder).as_posix()
        if why := _oddness(path, relative):
            odd.append(Odd(relative, why))
        else:
            names.append(relative)
    odd.sort(key=lambda one: os.fsencode(one.path))
    return sorted(names, key=str.encode), odd


def _walk(folder: Path) -> Iterator[Path]:
    def refuse(problem: OSError) -> None:
        raise StoreError(f"{problem.filename}: cannot be read: {problem.strerror}") from problem

    for place, folders, files in os.walk(folder, onerror=refuse):
        here = Path(place)
        for name in [*files, *(one for one in folders if (here / one).is_symlink())]:
            yield here / name


def _oddness(path: Path, relative: str) -> str:
    if path.is_symlink() or not path.is_file():
        return "expected a plain file, found a link or a device"
    try:
        relative.encode()
    except UnicodeEncodeError:
        return "its name is no UTF-8 text"
    if any(mark in relative for mark in _FORBIDDEN):
        return "a line end or backslash cannot stand in a list"
    return ""


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
