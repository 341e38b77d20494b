"""A trace as a tidy table in CSV, for whoever does not read Parquet."""

from __future__ import annotations

import csv
import io
import math

from hil.core.trace import Trace

#: `t` in s from the start of the trace; an empty `value` is a sample that came without one. A mark
#: has its name and what was asked for in `note`, and no value.
COLUMNS = ("t", "channel", "value", "unit", "note")
MARK = "mark"


def trace_csv(trace: Trace) -> bytes:
    """Every sample of every channel, then the marks; UTF-8, numbers as exact as they are kept."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for channel in trace.channels.values():
        for t, y in zip(channel.t.tolist(), channel.y.tolist(), strict=True):
            value = "" if math.isnan(y) else repr(y)
            writer.writerow((repr(t), channel.name, value, channel.unit, ""))
    for mark in trace.marks:
        writer.writerow((repr(mark.t), MARK, "", "", f"{mark.name} {mark.detail}".rstrip()))
    return text.getvalue().encode()
