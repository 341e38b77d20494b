"""The raw bytes of the serial link as text: when, which way, what.

A line is the host time in seconds, ``>`` (to the board) or ``<`` (from it), and the bytes in
hexadecimal. Nothing is kept in memory; each line reaches the operating system at once, so that a
killed process loses none. It is on the disk once the log is closed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from hil.core.closing import Closing
from hil.core.errors import StoreError
from hil.store.atomic import sync_folder

_HEADER = b"# host time in s, > to board or < from board, bytes in hexadecimal\n"
_CUT = b"# cut here: the log reached its size limit\n"
#: Largest log of one item in bytes; an overnight soak must not fill the disk.
LARGEST = 64 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class RawPiece:
    """Bytes that went one way at one time (`Clock.now` scale, s)."""

    t: float
    to_board: bool
    data: bytes


class RawLog(Closing):
    """Writer of one raw log; use as a context manager or close it."""

    def __init__(self, path: Path, largest: int = LARGEST) -> None:
        self.path = path
        self._room = largest
        self._file: BinaryIO | None = None
        try:
            # Unbuffered on purpose: see the module text.
            self._file = path.open("xb", buffering=0)
        except OSError as problem:
            raise StoreError(f"{path}: cannot be created: {problem.strerror}") from problem
        self._write(_HEADER)

    def sent(self, t: float, data: bytes) -> None:
        """Bytes written to the board at `t`, s."""
        self._line(t, ">", data)

    def received(self, t: float, data: bytes) -> None:
        """Bytes read from the board at `t`, s."""
        self._line(t, "<", data)

    def sync(self) -> None:
        """Force what was written to the disk, as for a result that rests on it.

        Raises
        ------
        StoreError
            If the disk does not take it.
        """
        if self._file is None:
            return
        try:
            os.fsync(self._file.fileno())
        except OSError as problem:
            raise StoreError(f"{self.path}: cannot be written: {problem.strerror}") from problem
        sync_folder(self.path.parent)

    def close(self) -> None:
        """Close the file, all of it on the disk; a second call does nothing."""
        if self._file is not None:
            try:
                self.sync()
            finally:
                self._file.close()
                self._file = None

    def _line(self, t: float, way: str, data: bytes) -> None:
        if not data or self._file is None or self._room <= 0:
            return
        line = f"{t:.6f} {way} {data.hex(' ')}\n".encode("ascii")
        self._room -= len(line)
        self._write(line if self._room > 0 else _CUT)

    def _write(self, line: bytes) -> None:
        assert self._file is not None
        try:
            self._file.write(line)
        except OSError as problem:
            raise StoreError(f"{self.path}: cannot be written: {problem.strerror}") from problem


def read_raw_log(path: Path) -> Iterator[RawPiece]:
    """The pieces in a raw log, in order; an unfinished last line is left out.

    Raises
    ------
    StoreError
        If the file cannot be read or a whole line is not of its form; names ``file:line``.
    """
    try:
        with path.open("rb") as file:
            for number, line in enumerate(file, 1):
                if line.startswith(b"#") or not line.endswith(b"\n"):
                    continue
                try:
                    t, way, data = line.decode("ascii").split(" ", 2)
                    to_board = {">": True, "<": False}[way]
                    yield RawPiece(float(t), to_board, bytes.fromhex(data))
                except (ValueError, KeyError) as problem:
                    raise StoreError(f"{path}:{number}: not a line of a raw log") from problem
    except OSError as problem:
        raise StoreError(f"{path}: cannot be read: {problem.strerror}") from problem
