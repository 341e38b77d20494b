"""Run folders on the disk, and whether one is still what was indexed."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from hil.core.errors import StoreError
from hil.core.record import RunStart
from hil.store.folder import INPUTS
from hil.store.reading import RECORD, parse


@dataclass(frozen=True)
class Content:
    """The bytes of a record."""

    data: bytes

    @cached_property
    def length(self) -> int:
        """Bytes of whole lines: a last one that a power loss cut short or tore does not count.

        It is cut off when the run is resumed, which is no alteration.
        """
        end = self.data.rfind(b"\n") + 1
        last = self.data.rfind(b"\n", 0, max(end - 1, 0)) + 1
        try:
            json.loads(self.data[last:end])
        except ValueError:
            return last
        return end

    def digest(self, length: int | None = None) -> str:
        """SHA-256 of the whole lines, or of the first `length` bytes."""
        end = self.length if length is None else length
        return hashlib.sha256(memoryview(self.data)[:end]).hexdigest()

    def continues(self, length: int, digest: str) -> bool:
        """Whether this is what had so many bytes and that hash, with lines appended or not."""
        return length <= self.length and self.digest(length) == digest


def content_of(folder: Path) -> Content:
    """The record of a run folder as bytes.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    file = folder / RECORD
    try:
        return Content(file.read_bytes())
    except OSError as problem:
        raise StoreError(f"{file}: no readable record: {problem.strerror}") from problem


def folders_below(roots: Iterable[Path]) -> Iterator[Path | StoreError]:
    """Every folder with a record at or below the roots, once, in order of the names.

    Also one within another run folder, where it does not belong: nothing is left out silently. A
    folder that cannot be looked into comes as the error that says so.

    Raises
    ------
    StoreError
        If a root is not there.
    """
    seen: set[Path] = set()
    for root in roots:
        if not root.is_dir():
            raise StoreError(f"{root}: no such folder")
        for found in _walk(root.resolve()):
            if isinstance(found, StoreError):
                yield found
            elif found not in seen:
                seen.add(found)
                yield found


def _walk(root: Path) -> Iterator[Path | StoreError]:
    troubles: list[OSError] = []
    for name, folders, files in os.walk(root, onerror=troubles.append):
        for trouble in troubles:
            yield StoreError(f"{trouble.filename}: cannot be looked into: {trouble.strerror}")
        troubles.clear()
        if RECORD in files or RECORD in folders:
            yield Path(name)
        folders.sort()
    for trouble in troubles:
        yield StoreError(f"{trouble.filename}: cannot be looked into: {trouble.strerror}")


def start_of(content: Content, folder: Path) -> RunStart:
    """The first line of a record.

    Raises
    ------
    StoreError
        If it is no run-start.
    """
    file = folder / RECORD
    first, end, _ = content.data.partition(b"\n")
    # With a next line begun, as only a last one may be torn.
    return parse(first + end + b" " * len(end), file).start


def altered_inputs(start: RunStart, folder: Path) -> str:
    """The first input file that is not what the record says, or ""."""
    for name, expected in start.hashes.items():
        file = folder / INPUTS / name
        try:
            found = hashlib.sha256(file.read_bytes()).hexdigest()
        except OSError as problem:
            return f"{INPUTS}/{name}: {problem.strerror}, the record names it"
        except ValueError as problem:  # a name that no file can have
            return f"{INPUTS}/{name}: {problem}, the record names it"
        if found != expected:
            return f"{INPUTS}/{name}: SHA-256 {found[:16]}..., the record has {expected[:16]}..."
    return ""
