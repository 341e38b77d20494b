"""The index of run folders: made from them, never evidence itself."""

from __future__ import annotations

import contextlib
import platform
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Self

from sqlalchemy.engine import Connection

from hil.core.closing import Closing
from hil.core.errors import StoreError
from hil.store.index import read, write
from hil.store.index.database import Database
from hil.store.index.entering import Entering
from hil.store.index.rows import BuildRow, ItemRow, Rebuilt, RunRow, Series, SeriesKey

#: Where the index lies if nothing else is said.
DEFAULT = "runs/index.db"


class Index(Closing):
    """Open one with `open_index`; a context manager.

    Filters that are None do not filter. Every method raises `StoreError` if the database fails.
    Simulated and bench evidence are never in one series, build row or count.
    """

    def __init__(self, database: Database, machine: str) -> None:
        self._database, self._machine = database, machine
        self._snapshot: Connection | None = None

    # -- filling ---------------------------------------------------------------------------

    def add(self, folder: Path | str) -> Rebuilt:
        """Enter one run folder, or what was appended to it; tells as `rebuild` does.

        An unreadable or altered folder is in the report, not an exception.
        """
        entering = Entering(self._database, self._machine)
        entering.folder(Path(folder))
        return entering.report()

    def rebuild(
        self,
        roots: Iterable[Path | str],
        *,
        fresh: bool = False,
        told: Callable[[str], None] | None = None,
    ) -> Rebuilt:
        """Bring the index to what is in the folders below the roots.

        Parameters
        ----------
        roots : folders of run folders, or run folders.
        fresh : read every record again, also those that are unchanged. What is known of hashes is
            kept, so that an alteration stays one.
        told : called with the name of each folder before it is read.

        Raises
        ------
        StoreError
            If a root is not there, so that a share that is not mounted does not count as vanished.
        """
        entering = Entering(self._database, self._machine, fresh=fresh, told=told)
        entering.roots([Path(root) for root in roots])
        return entering.report()

    def forget(self, run: str) -> None:
        """Take a run out, to enter its folder again as it is now, or because it is gone for good.

        Raises
        ------
        StoreError
            If there is no such run.
        """
        with self._database.writing() as connection:
            if not write.forget(connection, run):
                raise StoreError(f"index {self._database.name}: no run {run}")

    # -- asking ----------------------------------------------------------------------------

    def runs(
        self,
        *,
        rig: str | None = None,
        evidence: str | None = None,
        build: str | None = None,
        since: str | None = None,
        run: str | None = None,
    ) -> list[RunRow]:
        """Runs in order of time, altered and vanished ones too; `since` is a date or time, UTC."""
        filters = {"rig": rig, "evidence": evidence, "build": build, "run": run}
        with self._reading() as connection:
            return read.read_runs(connection, filters, since)

    def items(
        self,
        *,
        rig: str | None = None,
        evidence: str | None = None,
        run: str | None = None,
        item: str | None = None,
    ) -> list[ItemRow]:
        """Results of items in order of time."""
        filters = {"rig": rig, "evidence": evidence, "run": run, "item": item}
        with self._reading() as connection:
            return read.read_items(connection, filters)

    def overview(self, *, rig: str | None = None, evidence: str | None = None) -> list[BuildRow]:
        """What there is of each build on each rig, the latest first; without altered runs."""
        with self._reading() as connection:
            return read.read_builds(connection, {"rig": rig, "evidence": evidence})

    def keys(
        self,
        *,
        rig: str | None = None,
        evidence: str | None = None,
        plan: str | None = None,
        item: str | None = None,
        measure: str | None = None,
    ) -> list[SeriesKey]:
        """Keys of all series that have figures, sorted."""
        filters = {"rig": rig, "evidence": evidence, "plan": plan, "item": item, "measure": measure}
        with self._reading() as connection:
            return read.read_keys(connection, filters)

    def series(self, key: SeriesKey) -> Series:
        """One series, without figures of altered runs.

        Raises
        ------
        StoreError
            If there is none of that key.
        """
        with self._reading() as connection:
            filters = {name: getattr(key, name) for name in key.__dataclass_fields__}
            for found in read.read_series(connection, filters):
                return found
            raise StoreError(f"index {self._database.name}: no series {key}")

    def all_series(
        self,
        *,
        rig: str | None = None,
        evidence: str | None = None,
        plan: str | None = None,
        item: str | None = None,
        measure: str | None = None,
    ) -> dict[SeriesKey, Series]:
        """All series at once, in order of the keys; one pass over the figures."""
        filters = {"rig": rig, "evidence": evidence, "plan": plan, "item": item, "measure": measure}
        with self._reading() as connection:
            return {one.key: one for one in read.read_series(connection, filters)}

    @contextlib.contextmanager
    def snapshot(self) -> Iterator[Self]:
        """What is asked within sees one state of the index, whoever writes meanwhile."""
        with self._reading() as connection:
            former, self._snapshot = self._snapshot, connection
            try:
                yield self
            finally:
                self._snapshot = former

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Connection]:
        if self._snapshot is not None:
            yield self._snapshot
        else:
            with self._database.reading() as connection:
                yield connection

    # -- end -------------------------------------------------------------------------------

    def close(self) -> None:
        """Close the database; a second call does nothing."""
        self._database.close()


def open_index(
    place: str | Path = DEFAULT, *, create: bool = True, machine: str | None = None
) -> Index:
    """Open the index at `place`, bringing its tables up to date.

    Parameters
    ----------
    place : path of an SQLite file, or a URL: ``sqlite:///FILE``, ``postgresql://USER@HOST/NAME``.
    create : make an SQLite file that is not there; a reader passes False.
    machine : name of this machine; paths in the index are those of the machine that entered them.

    Raises
    ------
    StoreError
        If it cannot be opened, is no index, or was made by a newer version of this project.
    """
    return Index(Database(place, create=create), machine or platform.node())
