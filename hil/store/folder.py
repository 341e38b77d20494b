"""A run folder being written: created once, appended to, never rewritten."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
from collections.abc import Iterable
from pathlib import Path
from typing import BinaryIO

from hil.core.closing import Closing
from hil.core.errors import StoreError
from hil.core.record import Entry, Note
from hil.core.trace import Trace
from hil.ports.clock import utc_now
from hil.store.atomic import remove_drafts, replace_file, sync_folder
from hil.store.codec import encode
from hil.store.lock import lock
from hil.store.rawlog import LARGEST, RawLog
from hil.store.reading import RECORD, RunRecord, parse, read
from hil.store.traces import trace_bytes

TRACES, SERIAL, INPUTS = "traces", "serial", "inputs"

_SAFE = re.compile(r"[a-z0-9][a-z0-9._-]*")
#: Names that some systems keep for devices, whatever the extension.
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
_LONGEST = 120
#: Bytes of an unfinished line that are kept in a note.
_LONGEST_REST = 2000


def new_name() -> str:
    """A name from the UTC time and a random suffix, e.g. ``2026-03-01t22-15-09z-5f0c``.

    It sorts by time and is a legal file name on every common system.
    """
    return f"{utc_now()[:19].lower().replace(':', '-')}z-{secrets.token_hex(2)}"


def refuse_unless_writable(out_dir: Path | str) -> None:
    """Refuse a folder, which is made if need be, in which no run folder can be made.

    Raises
    ------
    StoreError
        As `RunFolder.create` would.
    """
    out = Path(out_dir)
    try:
        _make_all(out)
        trial = out / f".{secrets.token_hex(8)}"
        trial.open("xb", buffering=0).close()
        trial.unlink()
    except OSError as problem:
        raise _impossible(out, problem) from problem


class RunFolder(Closing):
    """The folder of one run, open for writing. Make one with `create` or `reopen`.

    Attributes
    ----------
    path : the folder.
    name : its name, which is the name of the run.
    """

    def __init__(self, path: Path, file: BinaryIO) -> None:
        self.path = path
        self.name = path.name
        self._file = file
        #: Of a record that was reopened: bytes that are whole, and what stands behind them.
        self._torn: tuple[int, bytes] | None = None

    @classmethod
    def create(cls, out_dir: Path | str, name: str | None = None) -> RunFolder:
        """Make a new folder below `out_dir` (made too if need be).

        Raises
        ------
        StoreError
            If a folder of that `name` is there already, the name is not made of ``a-z 0-9 . _ -``,
            or the folder cannot be made.
        """
        out = Path(out_dir)
        try:
            _make_all(out)
            path = _make(out, name)
            for part in (TRACES, SERIAL, INPUTS):
                (path / part).mkdir()
            file = (path / RECORD).open("xb", buffering=0)
        except OSError as problem:
            raise _impossible(out, problem) from problem
        lock(file.fileno())
        sync_folder(path)
        sync_folder(out)
        return cls(path, file)

    @classmethod
    def reopen(cls, path: Path | str) -> RunFolder:
        """Open an existing folder to append to it; nothing in it changes before the first entry.

        A line that a lost process left unfinished is cut off then, and kept in a note.

        Raises
        ------
        StoreError
            If there is no readable record in the folder, or it is still being written.
        """
        folder = Path(path)
        record = folder / RECORD
        read(folder)
        try:
            file = record.open("r+b", buffering=0)
        except OSError as problem:
            raise StoreError(f"{folder}: cannot be reopened: {problem.strerror}") from problem
        if not lock(file.fileno()):
            file.close()
            raise StoreError(
                f"{folder}: another process is still writing this run; wait for its end, or end it"
            )
        try:
            content = file.read()
            whole = parse(content, record).whole
        except (OSError, StoreError):
            file.close()
            raise
        opened = cls(folder, file)
        opened._torn = (whole, content[whole:])
        return opened

    def _mend(self) -> None:
        """After an interruption: cut off what is not whole, and take away unfinished drafts."""
        if self._torn is None:
            return
        (whole, rest), self._torn = self._torn, None
        try:
            self._cut(whole)
        except OSError as problem:
            raise StoreError(f"{self.path / RECORD}: cannot be written: {problem}") from problem
        for folder in (self.path, self.path / TRACES, self.path / INPUTS):
            remove_drafts(folder)
        if rest:
            shown = rest[:_LONGEST_REST].decode("utf-8", "replace").rstrip("\n")
            more = f"... ({len(rest)} bytes)" if len(rest) > _LONGEST_REST else ""
            text = f"cut off an unfinished line: {shown}{more}"
            self.append(Note(utc=utc_now(), text=text, level="warning"))

    def _cut(self, size: int) -> None:
        """Cut the record down, for good: what is appended must not mix with what was cut off."""
        self._file.truncate(size)
        os.fsync(self._file.fileno())

    def append(self, entry: Entry) -> None:
        """Add one line and force it to the disk before returning.

        Raises
        ------
        StoreError
            If the entry cannot be kept as it is (`hil.store.codec.encode`) or not be written.
        """
        line = encode(entry).encode("ascii") + b"\n"
        self._mend()
        try:
            # Not where this process stopped: a guard process may have added a note since.
            before = self._file.seek(0, os.SEEK_END)
            try:
                self._write(line)
                os.fsync(self._file.fileno())
            except OSError:
                # A full disk may have taken half a line; the next entry must not stick to it.
                self._cut(before)
                raise
        except (OSError, ValueError) as problem:
            raise StoreError(f"{self.path / RECORD}: cannot be written: {problem}") from problem

    def write_trace(self, item: str, repeat: int, trace: Trace) -> str:
        """Keep the trace of one repetition (from 1) of `item`; returns its file name in traces/.

        A trace is never overwritten: an item run again gets a further name.
        """
        path = _unused(self.path / TRACES, f"{_checked(item)}.{repeat}", ".parquet")
        replace_file(path, trace_bytes(trace))
        return path.name

    def raw_log(self, item: str, largest: int = LARGEST) -> RawLog:
        """A writer for the raw serial bytes of `item`, in serial/; at most `largest` bytes."""
        return RawLog(_unused(self.path / SERIAL, _checked(item), ".log"), largest)

    def keep_inputs(self, files: Iterable[Path | str]) -> dict[str, str]:
        """Copy input files (plan, rig, profile) to inputs/.

        Returns
        -------
        dict
            Name of the copy -> SHA-256 of its content in hexadecimal, for `RunStart.hashes`.

        Raises
        ------
        StoreError
            If a file cannot be read or copied.
        """
        hashes: dict[str, str] = {}
        for source in map(Path, files):
            content = _content(source)
            copy = self.path / INPUTS / source.name
            digest = hashlib.sha256(content).hexdigest()
            if hashes.get(copy.name) == digest:
                continue
            if copy.exists():
                copy = _unused(copy.parent, source.stem, source.suffix)
            replace_file(copy, content)
            hashes[copy.name] = digest
        return hashes

    def _write(self, line: bytes) -> None:
        rest = memoryview(line)
        while rest:  # an unbuffered file may take less than it is given
            rest = rest[self._file.write(rest) :]

    def read(self) -> RunRecord:
        """What the record holds so far."""
        return read(self.path)

    def close(self) -> None:
        """Close the record; a second call does nothing."""
        self._file.close()


def _impossible(out: Path, problem: OSError) -> StoreError:
    return StoreError(f"{out}: cannot make a run folder: {problem.strerror or problem}")


def _make_all(folder: Path) -> None:
    """Make a folder and those it lies in; each name is on the disk before the next is made."""
    if folder.is_dir():
        return
    if folder.parent != folder:
        _make_all(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def _make(out: Path, name: str | None) -> Path:
    if name is not None:
        path = out / _checked(name)
        try:
            path.mkdir()
        except FileExistsError:
            raise StoreError(f"{path}: there is a run of that name already") from None
        return path
    while True:
        path = out / new_name()
        try:
            path.mkdir()
        except FileExistsError:  # another run in the same second drew the same suffix
            continue
        return path


def _checked(name: str) -> str:
    """`name` if it is a safe file name everywhere."""
    bad = not _SAFE.fullmatch(name) or name.endswith(".") or _DEVICES.fullmatch(name)
    if bad or len(name) > _LONGEST:
        raise StoreError(
            f"{name!r} cannot name a file on every system: expected a-z, 0-9 and . _ - only, "
            f"at most {_LONGEST} characters, no device name"
        )
    return name


def _content(source: Path) -> bytes:
    try:
        return source.read_bytes()
    except OSError as problem:
        raise StoreError(f"{source}: cannot be read: {problem.strerror}") from problem


def _unused(folder: Path, stem: str, suffix: str) -> Path:
    path = folder / f"{stem}{suffix}"
    number = 2
    while path.exists():
        path = folder / f"{stem}-{number}{suffix}"
        number += 1
    return path
