"""Questions to the tables, answered with frozen values; whole series as columns.

Figures are read by the column and put in order here: a million of them in seconds.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from typing import Any
from typing import cast as cast_to

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Select,
    Table,
    case,
    cast,
    distinct,
    exists,
    func,
    select,
)
from sqlalchemy.engine import Connection

from hil.store.index.gather import milliseconds
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
from hil.store.index.schema import COUNTS, figures, items, runs, series

_VERDICTS = np.array(VERDICTS, dtype=object)
_OUTCOMES = np.array(OUTCOMES, dtype=object)
_KEY = ("rig", "evidence", "plan", "item", "measure", "unit")
_NUMBERS = (figures.c.value, figures.c.uncertainty, figures.c.low, figures.c.high)
#: Whole numbers of a figure come as one: repeat, which of `_NUMBERS` it lacks, outcome, verdict.
_OUTCOME, _NONE, _REPEAT = 16, 256, 4096
assert max(len(VERDICTS), len(OUTCOMES)) <= _OUTCOME
#: Series, item, repeat, value, uncertainty, low, high, verdict, outcome.
_COLUMNS = 9

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
        ItemRow(
            run=run,
            item=item,
            plan=plan,
            scenario=scenario,
            verdict=VERDICTS[verdict],
            reason=reason,
            utc=utc,
        )
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


def read_keys(connection: Connection, filters: Filters) -> dict[int, SeriesKey]:
    """Number of a series -> its key, in order of the keys; only series that have figures."""
    asked = select(series.c.id, *(series.c[name] for name in _KEY))
    asked = _where(asked, series, filters)
    asked = asked.where(exists().where(figures.c.series_id == series.c.id))
    found = [
        (SeriesKey(**dict(zip(_KEY, key, strict=True))), number)
        for number, *key in connection.execute(asked)
    ]
    return {number: key for key, number in sorted(found)}


def read_series(
    connection: Connection, keys: Mapping[int, SeriesKey], *, whole: bool
) -> Iterator[Series]:
    """The series of `keys`, in that order, in one pass over the figures.

    Parameters
    ----------
    whole : `keys` are all there are, or nearly; a selection of a few is asked for by number.
    """
    condition = None if whole else figures.c.series_id.in_(list(keys))
    numbers = _columns(connection, condition)
    runs_by_item, begun, about = _items(connection, condition)
    owner, item = (numbers[n].astype(np.int64) for n in (0, 1))
    order = np.arange(0)
    if len(item):
        order = _ordered(owner, item, begun)
        order = order[runs_by_item[item[order]] >= 0]  # without those of altered runs
    owner, item, numbers = owner[order], item[order], numbers[:, order]
    run = runs_by_item[item]
    columns: dict[str, NDArray[Any]] = {
        "run": about[0][run],
        "utc": begun[item].astype("datetime64[ms]"),
        "build": about[1][run],
        "commit": about[2][run],
        "repeat": numbers[2].astype(np.int64),
        "value": numbers[3],
        "uncertainty": numbers[4],
        "low": numbers[5],
        "high": numbers[6],
        "verdict": _VERDICTS[numbers[7].astype(np.int64)],
        "outcome": _OUTCOMES[numbers[8].astype(np.int64)],
    }
    firsts, lasts = (np.searchsorted(owner, list(keys), side) for side in ("left", "right"))
    for key, first, last in zip(keys.values(), firsts.tolist(), lasts.tolist(), strict=True):
        yield Series(key=key, **{name: column[first:last] for name, column in columns.items()})


def _ordered(
    owner: NDArray[np.int64], item: NDArray[np.int64], begun: NDArray[np.int64]
) -> NDArray[np.intp]:
    """Order of figures by series, then begin of their items; those of an item keep theirs.

    In two steps, each of which is quick: runs mostly were entered in order of time, and small
    whole numbers are sorted without comparing them.
    """
    rank = np.empty(begun.size, dtype=np.int64)
    rank[np.lexsort((np.arange(begun.size), begun))] = np.arange(begun.size)
    order = np.argsort(rank[item], kind="stable")
    series = owner.astype(np.uint16) if int(owner.max()) < 2**16 else owner
    return order[np.argsort(series[order], kind="stable")]


def _columns(connection: Connection, condition: ColumnElement[bool] | None) -> NDArray[np.float64]:
    """Figures in order of their numbers as columns of one array, see `_COLUMNS`.

    Double precision holds every whole number that occurs here (below 2**53).
    """
    code: ColumnElement[int] = cast(figures.c.repeat, BigInteger) * _REPEAT
    code += figures.c.verdict + figures.c.outcome * _OUTCOME
    for bit, column in enumerate(_NUMBERS):
        code += case((column.is_(None), _NONE << bit), else_=0)
    numbers = [func.coalesce(column, 0.0) for column in _NUMBERS]
    asked = select(figures.c.series_id, figures.c.item_id, code, *numbers)
    if condition is not None:
        asked = asked.where(condition)
    result = connection.execute(asked.order_by(figures.c.id))
    cursor = result.cursor
    assert cursor is not None
    # Straight from the driver and without a None among them: a row object for each figure, or an
    # object for each number, would double the time. Only without stream_results, under which
    # SQLAlchemy takes rows out of the cursor beforehand.
    rows = cast_to(Iterable[tuple[float, ...]], cursor)
    flat = np.fromiter(itertools.chain.from_iterable(rows), dtype=np.float64)
    result.close()
    given = flat.reshape(-1, 3 + len(_NUMBERS)).T
    found = np.empty((_COLUMNS, given.shape[1]))
    found[:2], found[3:7] = given[:2], given[3:]
    codes = given[2].astype(np.int64)
    for bit in range(len(_NUMBERS)):
        found[3 + bit, codes & (_NONE << bit) != 0] = np.nan
    found[2] = codes // _REPEAT
    found[7] = codes % _OUTCOME
    found[8] = codes % _NONE // _OUTCOME
    return found


def _items(
    connection: Connection, condition: ColumnElement[bool] | None
) -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[NDArray[Any], NDArray[Any], NDArray[Any]]]:
    """Number of an item -> its run (-1 if that is altered) and begin; then the facts by run.

    `condition` is on figures: only the items of these are needed.
    """
    columns = (runs.c.id, runs.c.run, runs.c.build, runs.c.commit_id, runs.c.state)
    rows = list(connection.execute(select(*columns)))
    size = max((row.id for row in rows), default=0) + 1
    about = tuple(np.full(size, "", dtype=object) for _ in range(3))
    altered = np.zeros(size, dtype=bool)
    for number, run, build, commit, state in rows:
        about[0][number], about[1][number], about[2][number] = run, build, commit
        altered[number] = state == ALTERED
    asked = select(items.c.id, items.c.run_id, items.c.at)
    if condition is not None:
        asked = asked.where(items.c.id.in_(select(figures.c.item_id).where(condition)))
    result = connection.execute(asked)
    assert result.cursor is not None
    found = np.array(result.cursor.fetchall() or np.empty((0, 3)), dtype=np.int64)
    result.close()
    size = int(found[:, 0].max(initial=0)) + 1
    runs_by_item, begun = np.full(size, -1, dtype=np.int64), np.zeros(size, dtype=np.int64)
    runs_by_item[found[:, 0]] = np.where(altered[found[:, 1]], -1, found[:, 1])
    begun[found[:, 0]] = found[:, 2]
    return runs_by_item, begun, about  # type: ignore[return-value]


def _where(asked: Select[Any], table: Table, filters: Filters) -> Select[Any]:
    for name, value in filters.items():
        if value is not None:
            asked = asked.where(table.c[name] == value)
    return asked
