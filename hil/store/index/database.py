"""The database under the index: SQLite in a file, or PostgreSQL by URL; one writer at a time.

SQLite runs with a write-ahead log, so that reading goes on while another process writes, and a
writer waits for the other. Its log needs memory shared by the processes: several machines need
PostgreSQL.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import create_engine, event, inspect, text
from sqlalchemy.engine import URL, Connection, Engine, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, SQLAlchemyError

from hil.core.errors import StoreError
from hil.store.index.migrations import REVISIONS, VERSION_TABLE

if TYPE_CHECKING:
    from sqlalchemy.pool import ConnectionPoolEntry

#: How long a writer waits for another one, in s.
PATIENCE = 60.0
#: How long PostgreSQL may take to answer at all, in s.
CONNECTING = 10
#: The advisory lock of writers on PostgreSQL; any number that is this project's own.
_LOCK = 0x68696C


class Database:
    """See the module text. Close it when done.

    Parameters
    ----------
    place : path of an SQLite file, or a URL: ``sqlite:///FILE``, ``postgresql://USER@HOST/NAME``.
    create : make an SQLite file that is not there; otherwise that is an error.

    Raises
    ------
    StoreError
        If it cannot be opened, is no index, or was written by a newer version of this project.
    """

    def __init__(self, place: str | Path, *, create: bool = True) -> None:
        url = _url(place)
        self.sqlite = url.get_backend_name() == "sqlite"
        #: For messages; without a password.
        self.name = str(url.database) if self.sqlite else url.render_as_string()
        if self.sqlite:
            _prepare_file(Path(self.name), create=create)
        with self._told():
            self.engine = _engine(url, sqlite=self.sqlite)
            try:
                self._upgrade()
            except BaseException:
                self.engine.dispose()
                raise

    def close(self) -> None:
        """Close all connections; a second call does nothing."""
        self.engine.dispose()

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database, whoever writes meanwhile."""
        level: Any = {} if self.sqlite else {"isolation_level": "REPEATABLE READ"}
        with (
            self._told(),
            self.engine.connect().execution_options(**level) as connection,
            connection.begin(),
        ):
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction of the only writer; nothing is changed if it ends with an error."""
        with (
            self._told(),
            self.engine.connect().execution_options(writing=True) as connection,
            connection.begin(),
        ):
            if not self.sqlite:
                connection.execute(text(f"SET LOCAL lock_timeout = '{PATIENCE:g}s'"))
                connection.execute(text(f"SELECT pg_advisory_xact_lock({_LOCK})"))
            yield connection

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except ModuleNotFoundError as problem:
            raise StoreError(
                f"{self.name}: PostgreSQL needs the package {problem.name}: pip install "
                "'hil[postgres]'"
            ) from problem
        except SQLAlchemyError as problem:
            cause = getattr(problem, "orig", None) or problem
            said = " ".join(str(cause).split())
            advice = ""
            if self.sqlite and any(word in said for word in ("not a database", "malformed")):
                advice = "; the index can be made again: delete it and run hil index"
            raise StoreError(f"index {self.name}: {said}{advice}") from problem

    def _upgrade(self) -> None:
        """Bring the tables to the newest revision, if they are not there already."""
        with self.engine.connect() as connection:
            found = self._revision(connection)
        if found == REVISIONS[-1]:
            return
        with self.writing() as connection:
            if self._revision(connection) == REVISIONS[-1]:  # another process was faster
                return
            from hil.store.index.migrations.upgrade import upgrade

            upgrade(connection)

    def _revision(self, connection: Connection) -> str | None:
        """Revision of the tables, None for an empty database.

        Raises
        ------
        StoreError
            If there are foreign tables in the file, or the revision is not known.
        """
        tables = inspect(connection)
        if not tables.has_table(VERSION_TABLE):
            if self.sqlite and (others := tables.get_table_names()):
                raise StoreError(
                    f"{self.name}: not an index of runs; it holds other tables: "
                    + ", ".join(others[:5])
                )
            return None
        row = connection.execute(text(f"SELECT version_num FROM {VERSION_TABLE}")).fetchone()
        found = None if row is None else str(row[0])
        if found is not None and found not in REVISIONS:
            raise StoreError(
                f"index {self.name}: its tables have revision {found}, newer than "
                f"{REVISIONS[-1]}, the newest this version knows: update this project, or name "
                "another index"
            )
        return found


def _url(place: str | Path) -> URL:
    given = str(place)
    if "://" not in given:
        return URL.create("sqlite", database=given)
    try:
        url = make_url(given)
        backend = url.get_backend_name()
    except (ArgumentError, NoSuchModuleError) as problem:
        raise StoreError(f"index {given}: not a URL of a database: {problem}") from problem
    if backend == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if backend == "sqlite" and url.database:
        return url
    raise StoreError(
        f"index {url.render_as_string()}: expected the path of an SQLite file, sqlite:///FILE or "
        "postgresql://USER@HOST/NAME"
    )


def _prepare_file(path: Path, *, create: bool) -> None:
    if path.exists():
        return
    if not create:
        raise StoreError(f"{path}: there is no index of runs; make it with: hil index")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise StoreError(f"{path}: cannot be made: {problem.strerror}") from problem


def _engine(url: URL, *, sqlite: bool) -> Engine:
    if not sqlite:
        return create_engine(url, connect_args={"connect_timeout": CONNECTING})
    engine = create_engine(url, connect_args={"timeout": PATIENCE})

    @event.listens_for(engine, "connect")
    def connected(connection: Any, _entry: ConnectionPoolEntry) -> None:
        # The driver must not begin transactions of its own: reads and writes begin differently.
        connection.isolation_level = None
        for pragma in (
            f"busy_timeout = {int(1000 * PATIENCE)}",
            "journal_mode = WAL",
            "synchronous = NORMAL",  # what a power loss takes can be read from the folders again
            "foreign_keys = ON",
            "cache_size = -65536",  # 64 MiB
            "temp_store = MEMORY",
        ):
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        # A reader that wants to write later would fail at once if another wrote meanwhile.
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine
