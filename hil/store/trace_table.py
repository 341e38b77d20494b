"""A trace as a tidy table in CSV, for whoever does not read Parquet."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable

from hil.core.record import ItemResult
from hil.core.trace import Trace
from hil.store.cells import FORMAT, written
from hil.store.reading import RunRecord

#: `t_s` in s from the start of the trace; an empty `value` is a sample that came without one. A
#: mark has its name and what was asked for in `note`, and no value.
COLUMNS = ("t_s", "channel", "value", "unit", "note")
MARK = "mark"
#: The table of all traces of a run: what each file is of, and when its item began.
OVERVIEW = (
    "format", "run", "began_utc", "evidence", "file", "item", "item_began_utc", "repeat",
)  # fmt: skip


def trace_csv(trace: Trace) -> bytes:
    """Every sample of every channel, then the marks; UTF-8, numbers as exact as they are kept."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for channel in trace.channels.values():
        name, unit = written(channel.name), written(channel.unit)
        for t, y in zip(channel.t.tolist(), channel.y.tolist(), strict=True):
            value = "" if math.isnan(y) else repr(y)
            writer.writerow((repr(t), name, value, unit, ""))
    for mark in trace.marks:
        note = written(f"{mark.name} {mark.detail}".rstrip())
        writer.writerow((repr(mark.t), MARK, "", "", note))
    return text.getvalue().encode()


def overview_csv(record: RunRecord, files: Iterable[str]) -> bytes:
    """What each of the traces `files` (names below traces/) is of; one row each."""
    of: dict[str, tuple[ItemResult, int]] = {
        name: (result, number)
        for result in record.results
        for number, name in enumerate(result.traces, 1)
    }
    start = record.start
    evidence = "simulated" if start.simulated else "bench"
    head = (FORMAT, written(start.run), written(start.utc), evidence)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(OVERVIEW)
    for name in files:
        result, number = of.get(name, (None, ""))
        item = ("", "") if result is None else (written(result.item), written(result.utc))
        writer.writerow((*head, written(f"{name.rpartition('.')[0]}.csv"), *item, number))
    return text.getvalue().encode()
