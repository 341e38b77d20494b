"""The index of run folders at a million measures, against the same figures in plain SQLite."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from ci.history import make_history
from ci.timing.result import Result, seconds, side_by_side

NIGHTS, ITEMS = 365, 200
#: The plain way of entering is timed on so many runs, in turn with ours.
SAMPLE = 8

_COLUMNS = "run, item, measure, repeat, value, uncertainty, low, high, verdict"
_TABLE = f"CREATE TABLE figures ({_COLUMNS})"
_INSERT = f"INSERT INTO figures VALUES ({', '.join('?' * 9)})"
_SELECT = f"SELECT {_COLUMNS} FROM figures"


def run() -> Iterator[Result]:
    """Entering, overview, all series and one series."""
    with tempfile.TemporaryDirectory(prefix="hil-index-") as name:
        yield from _measured(Path(name))


def _measured(folder: Path) -> Iterator[Result]:
    from hil.store.index import open_index

    made = make_history(folder / "runs", NIGHTS, ITEMS, gap=0.0, cut=0.0)
    rounds = iter(range(100))

    def enter() -> None:
        with open_index(folder / f"part{next(rounds)}.db") as part:
            part.rebuild(made.folders[:SAMPLE])

    def enter_plainly() -> None:
        _enter_plainly(made.folders[:SAMPLE], folder / f"plain{next(rounds)}.db")

    ours, plain = side_by_side(enter, enter_plainly, rounds=3, cpu=True)
    yield Result("entering, against json and executemany", ours / plain, "times", "lower", 10.0)

    place = folder / "index.db"
    with open_index(place) as index:
        taken = seconds(lambda: index.rebuild([folder / "runs"]), cpu=True)
        measures = sum(run.measures for run in index.runs())
        yield Result("measures in the index", measures, "1", "higher", 1_000_000)
        yield Result("entering, processor time a measure", 1e6 * taken / measures, "us", "lower")
        again = seconds(lambda: index.rebuild([folder / "runs"]))
        yield Result("a rebuild that finds nothing new", again, "s", "lower", 30.0)
    yield Result("overview, opening included", seconds(lambda: _overview(place)), "s", "lower", 1.0)

    _enter_plainly(made.folders, folder / "plain.db")
    with open_index(place) as index:
        key = index.keys()[len(index.keys()) // 2]
        ours, plain = side_by_side(
            index.all_series, lambda: _read_plainly(folder / "plain.db"), rounds=3, cpu=True
        )
        yield Result("all series, against a plain select", ours / plain, "times", "lower", 2.0)
        yield Result("all series", ours, "s", "lower")
        (one,) = side_by_side(lambda: index.series(key), rounds=5)
        yield Result("one series", 1e3 * one, "ms", "lower", 250.0)


def _overview(place: Path) -> None:
    """What the first page of a site needs."""
    from hil.store.index import open_index

    with open_index(place, create=False) as index, index.snapshot():
        if not (index.overview() and index.runs() and index.keys()):
            raise AssertionError("nothing is in the index: there is nothing to time")


def _enter_plainly(folders: tuple[Path, ...], place: Path) -> None:
    """The same figures without a check, without keys, without hashes."""
    with sqlite3.connect(place) as connection:
        connection.execute(_TABLE)
        for folder in folders:
            rows: list[tuple[Any, ...]] = []
            for line in (folder / "record.jsonl").read_bytes().splitlines():
                entry = json.loads(line)
                if entry["kind"] == "item":
                    rows += _rows(folder.name, entry)
            connection.executemany(_INSERT, rows)
    connection.close()


def _rows(run: str, entry: dict[str, Any]) -> Iterator[tuple[Any, ...]]:
    judged = {(j["measure"]["name"], j["repeat"]): j for j in entry["judgements"]}
    for measure, repeat in zip(entry["measures"], entry["repeats"], strict=True):
        found = judged.get((measure["name"], repeat))
        band = found["band"] if found else {"low": None, "high": None}
        verdict = found["verdict"] if found else ""
        figures = (measure["value"], measure["uncertainty"], band["low"], band["high"], verdict)
        yield (run, entry["item"], measure["name"], repeat, *figures)


def _read_plainly(place: Path) -> int:
    """Every row out of the file, values as an array; not put in order, not by series."""
    with sqlite3.connect(place) as connection:
        rows = connection.execute(_SELECT).fetchall()
    connection.close()
    return len(np.array([row[3:8] for row in rows], dtype=np.float64))
