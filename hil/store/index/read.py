"""Questions to the tables, answered with frozen values; whole series as columns.

Figures are read by the run and put in order here: a million of them in a moment.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Select, Table, distinct, func, select
from sqlalchemy.engine import Connection

from hil.core.errors import StoreError
from hil.store.index.gather import milliseconds
from hil.store.index.packing import unpack
from hil.store.index.rows import (
    ALTERED,
    OUTCOMES,
    VERDICTS,
    BuildRow,
    ItemRow,
    RunRow,
    Series,
    SeriesKey,
)
from hil.store.index.schema import COUNTS, items, packed_figures, runs, series

_VERDICTS = np.array(VERDICTS, dtype=object)
_OUTCOMES = np.array(OUTCOMES, dtype=object)
_KEY = ("rig", "evidence", "plan", "item", "measure", "unit")
_NUMBERS = ("value", "uncertainty", "low", "high")

Filters = Mapping[str, str | None]


def read_runs(connection: Connection, filters: Filters, since: str | None) -> list[RunRow]:
    """Runs in order of time."""
    asked = _where(select(runs), runs, filters).order_by(runs.c.at, runs.c.run)
    if since is not None:
        asked = asked.where(runs.c.at >= milliseconds(since, "since"))
    return [_run(dict(row._mapping)) for row in connection.execute(asked)]


def _run(row: Mapping[str, Any]) -> RunRow:
    return RunRow(
        run=row["run"],
        path=row["path"],
        utc=row["utc"],
        ended=row["ended"],
        rig=row["rig"],
        evidence=row["evidence"],
        plan=row["plan"],
        build=row["build"],
        commit=row["commit_id"],
        limits=row["limits_print"],
        plan_print=row["plan_print"],
        rig_print=row["rig_print"],
        end=row["end_reason"],
        counts={verdict: row[column] for verdict, column in COUNTS.items()},
        interrupted=row["interrupted"],
        never_begun=row["never_begun"],
        deselected=row["deselected"],
        measures=row["measures"],
        state=row["state"],
        state_reason=row["state_reason"],
    )


def read_items(connection: Connection, filters: Filters) -> list[ItemRow]:
    """Results in order of time, within a run in order of its record."""
    columns = (runs.c.run, items.c.item, items.c.plan, items.c.scenario)
    asked = select(*columns, items.c.verdict, items.c.reason, items.c.utc).join_from(items, runs)
    for name, value in filters.items():
        if value is not None:
            column = items.c[name] if name == "item" else runs.c[name]
            asked = asked.where(column == value)
    asked = asked.order_by(runs.c.at, runs.c.run, items.c.position)
    result = connection.execute(asked)
    assert result.cursor is not None
    rows = result.cursor.fetchall()
    result.close()
    return [
        ItemRow(run, item, plan, scenario, VERDICTS[verdict], reason, utc)
        for run, item, plan, scenario, verdict, reason, utc in rows
    ]


def read_builds(connection: Connection, filters: Filters) -> list[BuildRow]:
    """Builds, the latest first; altered runs are left out."""
    own = (runs.c.rig, runs.c.evidence, runs.c.build)
    sums = [func.sum(runs.c[column]) for column in COUNTS.values()]
    asked = select(
        *own,
        func.count(),
        func.sum(runs.c.measures),
        func.sum(runs.c.interrupted),
        func.min(runs.c.at),
        func.max(runs.c.at),
        func.min(runs.c.utc),
        func.max(runs.c.utc),
        *sums,
    ).where(runs.c.state != ALTERED)
    asked = _where(asked, runs, filters).group_by(*own)
    distinct_items = (
        select(*own, func.count(distinct(items.c.item)))
        .join_from(items, runs)
        .where(runs.c.state != ALTERED)
        .group_by(*own)
    )
    commits = (
        select(*own, runs.c.commit_id, func.min(runs.c.at).label("first"))
        .where(runs.c.state != ALTERED, runs.c.commit_id != "")
        .group_by(*own, runs.c.commit_id)
        .order_by("first")
    )
    counted = {
        tuple(row[:3]): row[3] for row in connection.execute(_where(distinct_items, runs, filters))
    }
    named: dict[tuple[str, ...], list[str]] = {}
    for rig, evidence, build, commit, _ in connection.execute(_where(commits, runs, filters)):
        named.setdefault((rig, evidence, build), []).append(commit)
    rows: list[tuple[int, int, tuple[str, ...], BuildRow]] = []
    for rig, evidence, build, number, measures, lost, begun, last, *rest in connection.execute(
        asked
    ):
        key = (rig, evidence, build)
        row = BuildRow(
            rig=rig,
            evidence=evidence,
            build=build,
            commits=tuple(named.get(key, ())),
            runs=number,
            items=counted.get(key, 0),
            measures=int(measures),
            counts={v: int(n) for v, n in zip(COUNTS, rest[2:], strict=True)},
            interrupted=int(lost),
            first=rest[0],
            last=rest[1],
        )
        rows.append((last, begun, key, row))
    rows.sort(key=lambda one: one[:3], reverse=True)
    return [row for *_, row in rows]


def read_keys(connection: Connection, filters: Filters) -> list[SeriesKey]:
    """Keys of the series that have figures, sorted."""
    return list(_keys(connection, filters, _figures(connection, filters).of["series"]))


def read_series(connection: Connection, filters: Filters) -> Iterator[Series]:
    """The series that have figures, in order of their keys, without figures of altered runs."""
    figures = _figures(connection, filters)
    keys = _keys(connection, filters, figures.of["series"])
    item, begun = _begun(connection, filters, figures)
    kept = ~figures.altered[figures.run]
    if any(filters.get(name) is not None for name in ("plan", "item", "measure", "unit")):
        kept &= np.isin(figures.of["series"], list(keys.values()))
    order = np.flatnonzero(kept)
    order = order[_ordered(figures.of["series"][order], item[order], begun)]
    # Whole figures are put in order at once: each of them lies in one place.
    of, run, item = figures.of[order], figures.run[order], item[order]
    columns: dict[str, NDArray[Any]] = {
        "run": figures.names[run],
        "utc": begun[item].astype("datetime64[ms]"),
        "build": figures.builds[run],
        "commit": figures.commits[run],
        "repeat": of["repeat"].astype(np.int64),
        **{name: of[name].copy() for name in _NUMBERS},
        "verdict": _VERDICTS[of["verdict"]],
        "outcome": _OUTCOMES[of["outcome"]],
    }
    numbers = list(keys.values())
    firsts, lasts = (np.searchsorted(of["series"], numbers, side) for side in ("left", "right"))
    for key, first, last in zip(keys, firsts.tolist(), lasts.tolist(), strict=True):
        yield Series(key=key, **{name: column[first:last] for name, column in columns.items()})


def _keys(
    connection: Connection, filters: Filters, present: NDArray[np.int32]
) -> dict[SeriesKey, int]:
    """Key of a series -> its number, in order of the keys; only those that are `present`."""
    known = np.flatnonzero(np.bincount(present)).tolist() if present.size else []
    asked = _where(select(series.c.id, *(series.c[name] for name in _KEY)), series, filters)
    there = set(known)
    found = sorted(
        (SeriesKey(**dict(zip(_KEY, key, strict=True))), number)
        for number, *key in connection.execute(asked)
        if number in there
    )
    return dict(found)


@dataclass(frozen=True, slots=True, eq=False)
class _Figures:
    """The figures of many runs, one run after the other, and the facts by run.

    Parameters
    ----------
    of : all figures, dtype `FIGURE`.
    run : shape of `of`, which run each belongs to, as a place in what follows.
    ids, names, builds, commits, altered : of the runs, in order of time.
    """

    of: NDArray[Any]
    run: NDArray[np.intp]
    ids: NDArray[np.int64]
    names: NDArray[Any]
    builds: NDArray[Any]
    commits: NDArray[Any]
    altered: NDArray[np.bool_]


def _figures(connection: Connection, filters: Filters) -> _Figures:
    """Figures of all runs of the rig and the evidence of `filters`.

    Raises
    ------
    StoreError
        If they are damaged.
    """
    columns = (runs.c.id, runs.c.run, runs.c.build, runs.c.commit_id, runs.c.state)
    asked = select(*columns, packed_figures.c.packed).join_from(runs, packed_figures)
    asked = _of_runs(asked, filters).order_by(runs.c.at, runs.c.run)
    rows = connection.execute(asked).fetchall()
    ids, names, builds, commits, states, values = zip(*rows, strict=True) if rows else ((),) * 6
    parts = []
    for name, value in zip(names, values, strict=True):
        try:
            parts.append(unpack(value))
        except ValueError as problem:
            raise _damaged(name, str(problem)) from problem
    return _Figures(
        np.concatenate(parts) if parts else unpack(b""),
        np.repeat(np.arange(len(parts)), [part.size for part in parts]),
        np.array(ids, dtype=np.int64),
        _texts(names),
        _texts(builds),
        _texts(commits),
        np.array([state == ALTERED for state in states], dtype=bool),
    )


def _texts(column: Sequence[str]) -> NDArray[Any]:
    return np.fromiter(column, dtype=object, count=len(column))


def _begun(
    connection: Connection, filters: Filters, figures: _Figures
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Which item each figure belongs to, and when each item began.

    Items are numbered by the order of their runs in `figures`, within a run by position.
    """
    asked = select(items.c.run_id, items.c.position, items.c.at).join_from(items, runs)
    result = connection.execute(_of_runs(asked, filters))
    assert result.cursor is not None
    found = np.array(result.cursor.fetchall() or np.empty((0, 3)), dtype=np.int64)
    result.close()
    place = np.full(int(max(found[:, 0].max(initial=0), figures.ids.max(initial=0))) + 1, -1)
    place[figures.ids] = np.arange(figures.ids.size)
    found = found[place[found[:, 0]] >= 0]
    run = place[found[:, 0]]
    sizes = np.zeros(figures.ids.size, dtype=np.int64)
    np.maximum.at(sizes, run, found[:, 1] + 1)
    lost = np.flatnonzero(figures.of["position"] >= sizes[figures.run])
    if lost.size:
        raise _damaged(figures.names[figures.run[lost[0]]], "figures of an item that is not there")
    firsts = np.cumsum(sizes) - sizes
    begun = np.zeros(int(sizes.sum()), dtype=np.int64)
    begun[firsts[run] + found[:, 1]] = found[:, 2]
    return firsts[figures.run] + figures.of["position"], begun


def _damaged(run: str, why: str) -> StoreError:
    return StoreError(
        f"figures of the run {run} are damaged ({why}); the index can be made again: delete it and "
        "run hil index"
    )


def _ordered(
    owner: NDArray[np.integer[Any]], item: NDArray[np.int64], begun: NDArray[np.int64]
) -> NDArray[np.intp]:
    """Order of figures by series, then begin of their items; those of an item keep theirs.

    In two steps, each of which is quick: runs come in order of time, and small whole numbers are
    sorted without comparing them.
    """
    rank = np.empty(begun.size, dtype=np.int64)
    rank[np.lexsort((np.arange(begun.size), begun))] = np.arange(begun.size)
    order = np.argsort(rank[item], kind="stable")
    series = owner.astype(np.uint16) if int(owner.max(initial=0)) < 2**16 else owner
    return order[np.argsort(series[order], kind="stable")]


def _of_runs(asked: Select[Any], filters: Filters) -> Select[Any]:
    return _where(asked, runs, {name: filters.get(name) for name in ("rig", "evidence")})


def _where(asked: Select[Any], table: Table, filters: Filters) -> Select[Any]:
    for name, value in filters.items():
        if value is not None:
            asked = asked.where(table.c[name] == value)
    return asked
