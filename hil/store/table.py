"""All measures of a run as one tidy table, ``measures.csv``."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import TYPE_CHECKING

from hil.core.measure import Measure
from hil.core.record import ItemResult
from hil.core.verdict import Judgement
from hil.store.cells import FORMAT, written
from hil.store.reading import RunRecord

if TYPE_CHECKING:
    import pandas as pd

#: Columns in order. `value`, `uncertainty` (standard, k=1), `resolution`, `low`, `high` and
#: `margin` are in `unit`; `conformance` is a probability; empty means there is none.
COLUMNS = (
    "format",  # of this table
    "evidence",  # bench or simulated: the two are never mixed
    "item",
    "scenario",
    "repeat",
    "measure",
    "value",
    "uncertainty",
    "resolution",
    "unit",
    "outcome",
    "detail",
    "low",
    "high",
    "rule",
    "verdict",
    "margin",
    "conformance",
    "requirement",
)
#: What a table has in front of that if it is to be put together with those of other runs. Not in
#: the run folder: there equal measures give equal tables, whatever the time.
TIMED = ("run", "began_utc", "build", "item_began_utc")


def measures_frame(record: RunRecord) -> pd.DataFrame:
    """One row a measure and band, in the order of the record; no times in it.

    A measure without a band has one row without a verdict, a measure with two bands has two rows.
    """
    import pandas as pd

    return pd.DataFrame(_rows(record), columns=list(COLUMNS), dtype=object)


def measures_csv(record: RunRecord) -> bytes:
    """`measures_frame` as CSV in UTF-8; equal measures give equal bytes."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")  # every run ends here, and pandas loads slowly
    writer.writerow(COLUMNS)
    writer.writerows(_rows(record))
    return text.getvalue().encode()


def timed_csv(record: RunRecord) -> bytes:
    """`measures_csv` with the columns `TIMED` in front of it."""
    start = record.start
    build = next((one.revision for one in start.identities if one.role == "board"), "")
    head = [written(part) for part in (start.run, start.utc, build)]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow((*TIMED, *COLUMNS))
    for result in record.results:
        began = written(result.utc)
        writer.writerows([*head, began, *row] for row in _rows_of(record, result))
    return text.getvalue().encode()


def _rows(record: RunRecord) -> list[list[object]]:
    return [row for result in record.results for row in _rows_of(record, result)]


def _rows_of(record: RunRecord, result: ItemResult) -> list[list[object]]:
    evidence = "simulated" if record.start.simulated else "bench"
    return [[FORMAT, evidence, *_row(result, *found)] for found in judged(result)]


def judged(result: ItemResult) -> Iterator[tuple[Measure, int, Judgement | None]]:
    """Every measure with its repetition (0 for the item as a whole) and judgement.

    A measure without a band comes once with None, one with two bands twice. Judgements of the
    item as a whole, such as k of n, need not repeat a listed measure and come last.
    """
    by_name: dict[tuple[str, int], list[Judgement]] = {}  # a long series has thousands of them
    for judgement in result.judgements:
        by_name.setdefault((judgement.measure.name, judgement.repeat), []).append(judgement)
    taken: set[int] = set()
    repeats = result.repeats or (0,) * len(result.measures)
    for measure, repeat in zip(result.measures, repeats, strict=True):
        own = [
            judgement
            for judgement in by_name.get((measure.name, repeat), ())
            if id(judgement) not in taken and judgement.measure == measure
        ]
        taken.update(map(id, own))
        if not own:
            yield measure, repeat, None
        for judgement in own:
            yield measure, repeat, judgement
    for judgement in result.judgements:
        if id(judgement) not in taken:
            yield judgement.measure, judgement.repeat, judgement


def _row(
    result: ItemResult, measure: Measure, repeat: int, judgement: Judgement | None
) -> list[object]:
    band = judgement.band if judgement else None
    return [
        written(result.item),
        written(result.scenario),
        repeat,
        written(measure.name),
        _number(measure.value),
        _number(measure.uncertainty),
        _number(measure.resolution),
        written(measure.unit),
        measure.outcome.value,
        written(measure.detail),
        _number(band.low) if band else "",
        _number(band.high) if band else "",
        band.rule.value if band else "",
        judgement.verdict.value if judgement else "",
        _number(judgement.margin) if judgement else "",
        _number(judgement.conformance) if judgement else "",
        written(band.requirement) if band else "",
    ]


def _number(value: float | None) -> str:
    """Shortest text that reads back as the same double, independent of the table library."""
    return "" if value is None else repr(float(value))
