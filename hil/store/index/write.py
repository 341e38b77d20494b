"""Rows of a run into the tables, within the transaction of the caller."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import delete, insert, select, update
from sqlalchemy.engine import Connection, Row

from hil.store.index.gather import Gathered, PartKey
from hil.store.index.packing import pack
from hil.store.index.schema import items, packed_figures, runs, series

#: rig, evidence and key of a series -> its number; what was committed stays true.
Numbers = dict[tuple[str, str, PartKey], int]


def known(connection: Connection) -> list[Row[Any]]:
    """Every run, all columns."""
    return list(connection.execute(select(runs)))


def one_known(connection: Connection, run: str) -> Row[Any] | None:
    """The run of that name, all columns; None if there is none."""
    return connection.execute(select(runs).where(runs.c.run == run)).one_or_none()


def put(connection: Connection, gathered: Gathered, place: dict[str, Any], numbers: Numbers) -> int:
    """Insert a run, or replace it with what its folder says now; returns the figures written.

    Parameters
    ----------
    place : the columns of `runs` that say where the folder is and what is in it.
    numbers : of series, filled on the way.
    """
    row = {**gathered.run, **place}
    number = connection.execute(select(runs.c.id).where(runs.c.run == row["run"])).scalar()
    if number is None:
        number = connection.execute(insert(runs).values(row).returning(runs.c.id)).scalar_one()
    else:
        for table in (items, packed_figures):
            connection.execute(delete(table).where(table.c.run_id == number))
        connection.execute(update(runs).where(runs.c.id == number).values(row))
    if gathered.items:
        connection.execute(insert(items), [{**item, "run_id": number} for item in gathered.items])
    if gathered.figures:
        rig, evidence = row["rig"], row["evidence"]
        keys = (key for _, key, _ in gathered.figures)
        _number_series(connection, rig, evidence, keys, numbers)
        packed = pack(
            (numbers[rig, evidence, key], position, *columns)
            for position, key, columns in gathered.figures
        )
        connection.execute(insert(packed_figures).values(run_id=number, packed=packed))
    return len(gathered.figures)


def _number_series(
    connection: Connection, rig: str, evidence: str, keys: Iterable[PartKey], numbers: Numbers
) -> None:
    """Fill `numbers` for `keys`; a series that is new gets its row."""
    missing = {key for key in keys if (rig, evidence, key) not in numbers}
    if not missing:
        return
    own = (series.c.rig == rig) & (series.c.evidence == evidence)
    names = (series.c.plan, series.c.item, series.c.measure, series.c.unit)

    def look_up() -> None:
        for number, *key in connection.execute(select(series.c.id, *names).where(own)):
            numbers[rig, evidence, tuple(key)] = number

    look_up()
    new = sorted(key for key in missing if (rig, evidence, key) not in numbers)
    if new:
        columns = ("plan", "item", "measure", "unit")
        connection.execute(
            insert(series),
            [
                {"rig": rig, "evidence": evidence, **dict(zip(columns, key, strict=True))}
                for key in new
            ],
        )
        look_up()


def mark(connection: Connection, number: int, **columns: Any) -> None:
    """Change columns of one run."""
    connection.execute(update(runs).where(runs.c.id == number).values(columns))


def forget(connection: Connection, run: str) -> bool:
    """Take a run out of the index; False if it is not there. Its folder stays as it is."""
    number = connection.execute(select(runs.c.id).where(runs.c.run == run)).scalar()
    if number is None:
        return False
    connection.execute(delete(runs).where(runs.c.id == number))
    return True
