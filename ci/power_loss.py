"""What a disk may hold after the power has gone, from what a run had asked of it.

Only what was forced to the disk is sure: the content of a file by syncing the file, its name by
syncing its folder, neither by the other. Of the rest some is there and some is not: blocks in any
order, a size without its content, a new name without the old one gone.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from ci.disk import Operation

BLOCK = 512


@dataclass
class File:
    """One file: what is sure, what the run sees, and what it did since the last sync."""

    sure: bytes = b""
    seen: bytearray = field(default_factory=bytearray)
    pending: list[tuple[int, bytes | None]] = field(default_factory=list)  # None: cut at

    def write(self, at: int, data: bytes) -> None:
        """Put `data` at `at`."""
        _put(self.seen, at, data)
        self.pending.append((at, data))

    def truncate(self, size: int) -> None:
        """Cut it, or fill it up with zeros."""
        _cut(self.seen, size)
        self.pending.append((size, None))

    def sync(self) -> None:
        """All of it is sure now."""
        self.sure, self.pending = bytes(self.seen), []

    def after(self, draw: random.Random) -> bytes:
        """What is there after the power has gone."""
        way = draw.choice(("nothing", "everything", "begun", "blocks", "blocks"))
        if way == "nothing" or not self.pending:
            return self.sure
        if way == "everything":
            return bytes(self.seen)
        content = bytearray(self.sure)
        if way == "begun":
            *whole, (at, data) = self.pending[: draw.randint(1, len(self.pending))]
            for place, written in whole:
                _apply(content, place, written)
            _apply(content, at, None if data is None else data[: draw.randint(0, len(data))])
            return bytes(content)
        size = draw.choice((len(self.sure), len(self.seen), len(self.seen)))
        _cut(content, size)
        for first in range(0, size, BLOCK):
            if draw.random() < 0.5:
                _put(content, first, bytes(self.seen[first : min(first + BLOCK, size)]))
        return bytes(content)


def _put(content: bytearray, at: int, data: bytes) -> None:
    if len(content) < at:
        content.extend(bytes(at - len(content)))
    content[at : at + len(data)] = data


def _cut(content: bytearray, size: int) -> None:
    del content[size:]
    content.extend(bytes(size - len(content)))


def _apply(content: bytearray, at: int, data: bytes | None) -> None:
    if data is None:
        _cut(content, at)
    else:
        _put(content, at, data)


@dataclass
class Folder:
    """One folder: names that are sure, names that the run sees, and changes since the last sync."""

    sure: dict[str, File | Folder] = field(default_factory=dict)
    seen: dict[str, File | Folder] = field(default_factory=dict)
    pending: list[tuple[str, str, File | Folder | None]] = field(default_factory=list)

    def name(self, name: str, what: File | Folder, old: str = "") -> None:
        """Give `what` a name, taking `old` away in the same step."""
        self.seen.pop(old, None)
        self.seen[name] = what
        self.pending.append((name, old, what))

    def remove(self, name: str) -> None:
        """Take a name away."""
        self.seen.pop(name, None)
        self.pending.append((name, "", None))

    def sync(self) -> None:
        """All names are sure now."""
        self.sure, self.pending = dict(self.seen), []

    def after(self, draw: random.Random) -> dict[str, File | Folder]:
        """The names that are there after the power has gone."""
        names = dict(self.sure)
        if draw.random() < 0.5:  # a journal: changes in their order
            kept = self.pending[: draw.randint(0, len(self.pending))]
        else:
            kept = [change for change in self.pending if draw.random() < 0.5]
        for name, old, what in kept:
            names.pop(old, None)
            names.pop(name, None)
            if what is not None:
                names[name] = what
        return names


class Disk:
    """Takes the operations of a run one by one.

    Parameters
    ----------
    root : the folder that was watched; what is in it already is sure.

    Attributes
    ----------
    acknowledged : lines of the record that the run was told to be kept.
    """

    def __init__(self, root: Path, before: Path | None = None) -> None:
        self._root = str(root)
        self._top = _found(before) if before is not None else Folder()
        self._files: dict[int, File] = {}
        self.acknowledged: list[str] = []

    def take(self, operations: Iterable[Operation]) -> None:
        """Carry operations out."""
        for word, *rest in operations:
            getattr(self, f"_{word.replace('-', '_')}")(*rest)

    def names(self, path: str) -> list[str]:
        """The names that the run sees in a folder below the root."""
        found: File | Folder | None = self._top
        for part in Path(path).parts:
            found = found.seen.get(part) if isinstance(found, Folder) else None
        return sorted(found.seen) if isinstance(found, Folder) else []

    def seen(self, path: str) -> bytes | None:
        """What the run sees in a file below the root."""
        found: File | Folder | None = self._top
        for part in Path(path).parts:
            found = found.seen.get(part) if isinstance(found, Folder) else None
        return bytes(found.seen) if isinstance(found, File) else None

    def lose_power(self, to: Path, draw: random.Random) -> None:
        """Write what is left into the folder `to`."""
        _write(self._top, to, draw)

    def _at(self, path: str) -> tuple[Folder, str]:
        parts = Path(path).relative_to(self._root).parts
        folder = self._top
        for part in parts[:-1]:
            inner = folder.seen[part]
            assert isinstance(inner, Folder)
            folder = inner
        return folder, parts[-1]

    def _create(self, path: str, inode: int) -> None:
        folder, name = self._at(path)
        self._files[inode] = File()
        folder.name(name, self._files[inode])

    def _found(self, path: str, inode: int) -> None:
        folder, name = self._at(path)
        file = folder.seen[name]
        assert isinstance(file, File)
        self._files[inode] = file

    def _write(self, inode: int, at: int, data: bytes) -> None:
        self._files[inode].write(at, data)

    def _truncate(self, inode: int, size: int) -> None:
        self._files[inode].truncate(size)

    def _sync(self, inode: int) -> None:
        self._files[inode].sync()

    def _sync_folder(self, path: str) -> None:
        if path == self._root:
            self._top.sync()
            return
        folder, name = self._at(path)
        inner = folder.seen[name]
        assert isinstance(inner, Folder)
        inner.sync()

    def _mkdir(self, path: str) -> None:
        folder, name = self._at(path)
        folder.name(name, Folder())

    def _rename(self, old: str, new: str) -> None:
        folder, name = self._at(old)
        target, to = self._at(new)
        assert folder is target  # the store renames within one folder only
        folder.name(to, folder.seen[name], name)

    def _unlink(self, path: str) -> None:
        folder, name = self._at(path)
        folder.remove(name)

    def _acknowledged(self, line: str) -> None:
        self.acknowledged.append(line)


def _found(place: Path) -> Folder:
    folder = Folder()
    for path in place.iterdir():
        if path.is_dir():
            folder.seen[path.name] = _found(path)
        else:
            content = path.read_bytes()
            folder.seen[path.name] = File(content, bytearray(content))
    folder.sync()
    return folder


def _write(folder: Folder, to: Path, draw: random.Random) -> None:
    to.mkdir(exist_ok=True)
    for name, what in folder.after(draw).items():
        if isinstance(what, Folder):
            _write(what, to / name, draw)
        else:
            (to / name).write_bytes(what.after(draw))
