"""Bring run folders into the index, and find out which are no longer what they were."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy.engine import Connection, Row

from hil.core.errors import StoreError
from hil.store.index import write
from hil.store.index.database import Database
from hil.store.index.gather import Gathered, clean, gather
from hil.store.index.rows import ALTERED, PRESENT, VANISHED, Found, Rebuilt
from hil.store.index.scan import Content, altered_inputs, content_of, folders_below, start_of
from hil.store.reading import RECORD, parse


@dataclass
class Entering:
    """One rebuild; ask for its `report` at the end.

    Each run is a transaction of its own: a rebuild that is killed keeps what it has done, and two
    of them at once take turns.
    """

    database: Database
    machine: str
    fresh: bool = False
    told: Callable[[str], None] | None = None
    _lists: dict[str, list[Found]] = field(default_factory=dict)
    _measures: int = 0
    _numbers: write.Numbers = field(default_factory=dict)

    def roots(self, roots: list[Path]) -> None:
        """Enter everything below the roots, then look for what is gone."""
        seen: set[str] = set()
        for found in folders_below(roots):
            if isinstance(found, StoreError):
                self._tell("unreadable", "", "", str(found))
                continue
            seen.add(str(found))
            self.folder(found)
        self._mark_vanished([root.resolve() for root in roots], seen)

    def folder(self, path: Path) -> None:
        """Enter one run folder; what is wrong with it goes into the report."""
        path = (path.parent if path.name == RECORD else path).resolve()
        if self.told is not None:
            self.told(path.name)
        try:
            content = content_of(path)
            start = start_of(content, path)
            if start.search:
                self._tell("searching", clean(start.run), str(path), f"of {clean(start.search)}")
                return
            run, inputs = clean(start.run), altered_inputs(start, path)
        except StoreError as problem:
            self._unreadable(path, str(problem))
            return
        with self.database.reading() as connection:
            row = write.one_known(connection, run)
        one = _One(path, content, run, inputs)
        gathered = None
        if row is None or self.fresh or (one.continues(row) and one.says_more(row)):
            try:
                gathered = gather(parse(content.data, path / RECORD))
            except StoreError as problem:
                self._unreadable(path, str(problem))
                return
        elif one.same(row) and one.here(row) and row.state == PRESENT and not inputs:
            self._tell("unchanged", run, str(path))
            return
        try:
            with self.database.writing() as connection:
                row = write.one_known(connection, run)
                if gathered is None and row is None:  # forgotten meanwhile
                    gathered = gather(parse(content.data, path / RECORD))
                self._settle(connection, one, row, gathered)
        except StoreError:
            self._numbers.clear()  # of series that are not there after all
            raise

    def report(self) -> Rebuilt:
        """What was found so far."""
        found = {name: tuple(rows) for name, rows in self._lists.items()}
        return Rebuilt(**found, measures=self._measures)

    def _settle(
        self,
        connection: Connection,
        one: _One,
        row: Row[Any] | None,
        gathered: Gathered | None,
    ) -> None:
        """Write what is to be written of a folder, and say which case it is."""
        if row is not None and not one.here(row) and self._still_there(row):
            self._elsewhere(one, row)
            return
        known = row is not None and one.continues(row)
        if row is not None and not known:
            reason = _difference(one.content, row)
            # If it was moved as well: the old place is empty, and this is where to look.
            here = {"machine": self.machine, "path": clean(str(one.path))}
            write.mark(connection, row.id, state=ALTERED, state_reason=reason, **here)
            self._tell("altered", one.run, str(one.path), reason)
            return
        place = {
            "machine": self.machine,
            "path": clean(str(one.path)),
            "record_bytes": one.content.length,
            "record_sha256": one.content.digest(),
            "state": ALTERED if one.inputs else PRESENT,
            "state_reason": clean(one.inputs),
        }
        if gathered is not None:
            self._measures += write.put(connection, gathered, place, self._numbers)
        elif row is not None:
            write.mark(connection, row.id, **place)
        if one.inputs:
            case = "altered"
        elif row is None:
            case = "added"
        elif not one.same(row):
            case = "updated"
        else:
            case = "unchanged" if one.here(row) else "moved"
        reason = one.inputs or (f"was {row.path}" if case == "moved" and row is not None else "")
        self._tell(case, one.run, str(one.path), reason)

    def _elsewhere(self, one: _One, row: Row[Any]) -> None:
        """A second folder of a run whose first one is still in its place."""
        if one.same(row):
            self._tell("copies", one.run, str(one.path), f"the same as {row.path}")
        else:
            reason = f"another record of the run that is indexed from {row.path}"
            self._tell("altered", one.run, str(one.path), reason)

    def _still_there(self, row: Row[Any]) -> bool:
        """Whether the folder of a row holds its record; another machine's is believed to."""
        return row.machine != self.machine or (Path(row.path) / RECORD).is_file()

    def _unreadable(self, path: Path, reason: str) -> None:
        """A record that cannot be read; if it could once, what was indexed of it is marked."""
        with self.database.writing() as connection:
            for row in write.known(connection):
                if row.path == str(path) and row.machine == self.machine:
                    write.mark(connection, row.id, state=ALTERED, state_reason=clean(reason))
        self._tell("unreadable", path.name, str(path), reason)

    def _mark_vanished(self, roots: list[Path], seen: set[str]) -> None:
        with self.database.writing() as connection:
            for row in write.known(connection):
                below = any(Path(row.path).is_relative_to(root) for root in roots)
                if row.machine != self.machine or row.path in seen or not below:
                    continue
                reason = "its folder is gone"
                if row.state != VANISHED:
                    write.mark(connection, row.id, state=VANISHED, state_reason=reason)
                self._tell("vanished", row.run, row.path, reason)

    def _tell(self, case: str, run: str, path: str, reason: str = "") -> None:
        self._lists.setdefault(case, []).append(Found(run=run, path=path, reason=reason))


@dataclass(frozen=True, slots=True)
class _One:
    """A folder as it is on the disk; `inputs` says which input was altered."""

    path: Path
    content: Content
    run: str
    inputs: str

    def same(self, row: Row[Any]) -> bool:
        length = bool(row.record_bytes == self.content.length)
        return length and bool(row.record_sha256 == self.content.digest())

    def continues(self, row: Row[Any]) -> bool:
        return self.content.continues(row.record_bytes, row.record_sha256)

    def says_more(self, row: Row[Any]) -> bool:
        """Whether there is something in it that the index does not hold, if only since of late."""
        return not self.same(row) or row.deselected is None

    def here(self, row: Row[Any]) -> bool:
        return bool(row.path == clean(str(self.path)))


def _difference(content: Content, row: Row[Any]) -> str:
    if content.length < row.record_bytes:
        return f"its record has {content.length} bytes, {row.record_bytes} were indexed"
    return f"the first {row.record_bytes} bytes of its record are not those that were indexed"
