"""What a search has learnt so far, on disk: it can be killed at any time and goes on later.

One line of JSON an event, forced to the disk before the search goes on. The first line is the
question; a search with another question does not go on from it.
"""

from __future__ import annotations

import fcntl
import json
import math
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO

from hil.core.closing import Closing
from hil.core.errors import BenchError, PlanError


@dataclass(frozen=True, slots=True)
class Event:
    """A build that was run or cannot be.

    Parameters
    ----------
    build : its number. values : of one run, None where it gave no value.
    skipped : why the build cannot be made or run; then it has no values.
    folder : where the evidence lies. detail : one line for people.
    """

    build: int
    values: tuple[float | None, ...] = ()
    skipped: str = ""
    folder: str = ""
    detail: str = ""

    @property
    def numbers(self) -> list[float]:
        """The values as a search takes them: NaN for none."""
        return [math.nan if value is None else value for value in self.values]


class Journal(Closing):
    """The state file, open and locked; a context manager.

    Attributes
    ----------
    events : what was there when it was opened.
    """

    def __init__(self, path: Path, question: Mapping[str, Any]) -> None:
        self.path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file: BinaryIO = path.open("a+b")
        try:
            self.events = self._open(question)
        except BaseException:
            self._file.close()
            raise

    def _open(self, question: Mapping[str, Any]) -> list[Event]:
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise BenchError(f"{self.path}: another search is going on here") from error
        self._file.seek(0)
        content = self._file.read()
        whole = content.rfind(b"\n") + 1
        if whole < len(content):  # a line that a kill or a power loss cut short never happened
            self._file.truncate(whole)
        lines = content[:whole].splitlines()
        plain = json.loads(json.dumps(question))
        if not lines:
            self._write({"question": plain})
            return []
        try:
            first, *rest = (json.loads(line) for line in lines)
            asked = first["question"]
            events = [Event(**{**one, "values": tuple(one["values"])}) for one in rest]
        except (ValueError, KeyError, TypeError) as error:
            raise PlanError(f"is no state of a search: {error}", file=str(self.path)) from error
        for key in (*asked, *plain):
            if asked.get(key) != plain.get(key):
                raise PlanError(
                    f"belongs to a search with {key} {asked.get(key)!r}, not {plain.get(key)!r}: "
                    "name another --work folder, or ask as before",
                    file=str(self.path),
                )
        return events

    def add(self, event: Event) -> None:
        """Keep one more event."""
        self._write(asdict(event))

    def _write(self, content: Mapping[str, Any]) -> None:
        self._file.write(json.dumps(content, allow_nan=False).encode() + b"\n")
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Let others go on with the search."""
        self._file.close()
