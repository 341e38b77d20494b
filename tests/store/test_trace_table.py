from __future__ import annotations

import csv
import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from hil.core.record import ItemResult, RunStart
from hil.core.trace import Channel, Mark, Trace
from hil.store.cells import FORMAT, read
from hil.store.reading import RunRecord
from hil.store.trace_table import COLUMNS, MARK, overview_csv, trace_csv

numbers = st.floats(allow_infinity=False)


def rows(trace: Trace) -> list[dict[str, str]]:
    found = list(csv.DictReader(io.StringIO(trace_csv(trace).decode(), newline="")))
    assert all(tuple(row) == COLUMNS for row in found)
    return found


@given(
    hnp.arrays(np.float64, st.integers(0, 20), elements=st.floats(0.0, 1e6), unique=True),
    st.data(),
)
def test_every_number_comes_back_as_it_was(t: np.ndarray, data: st.DataObject) -> None:
    y = data.draw(hnp.arrays(np.float64, t.size, elements=numbers))
    times = np.sort(t) + 0.0
    found = rows(Trace({"reported.speed": Channel("reported.speed", "rpm", times, y)}, (), 1e6))
    assert [float(row["t_s"]) for row in found] == times.tolist()
    back = [float(row["value"]) if row["value"] else math.nan for row in found]
    np.testing.assert_array_equal(back, y)
    assert {(row["channel"], row["unit"], row["note"]) for row in found} <= {
        ("reported.speed", "rpm", "")
    }


def test_channels_come_in_turn_and_marks_last() -> None:
    t = np.array([0.0, 0.5])
    trace = Trace(
        {
            "supply.voltage": Channel("supply.voltage", "V", t, np.array([24.0, math.nan])),
            "witness.speed": Channel("witness.speed", "rpm", t[:1], np.array([-0.125])),
        },
        (Mark("command", 0.25, 0.001, "+1500 rpm"), Mark("stop", 0.5)),
        0.5,
    )
    assert trace_csv(trace).decode().splitlines() == [
        "t_s,channel,value,unit,note",
        "0.0,supply.voltage,24.0,V,",
        "0.5,supply.voltage,,V,",
        "0.0,witness.speed,-0.125,rpm,",
        "0.25,mark,,,command +1500 rpm",
        "0.5,mark,,,stop",
    ]
    assert MARK not in trace.channels


def test_an_empty_trace_is_its_header() -> None:
    assert trace_csv(Trace({})) == b"t_s,channel,value,unit,note\n"


def test_a_note_that_a_spreadsheet_would_compute_is_text() -> None:
    (row,) = rows(Trace({}, (Mark("=2+3", 1.0, 0.0, "rpm"),), 2.0))
    assert (row["note"], read(row["note"])) == ("'=2+3 rpm", "=2+3 rpm")


def test_the_overview_tells_what_each_file_is_of(
    run_start: RunStart, item_result: ItemResult
) -> None:
    result = replace(item_result, traces=("a.1.parquet", "a.2.parquet"))
    record = RunRecord(Path("r"), run_start, (run_start, result))
    content = overview_csv(record, ("a.2.parquet", "left-over.1.parquet")).decode()
    first, lost = csv.DictReader(io.StringIO(content, newline=""))
    assert first == {
        "format": str(FORMAT), "run": "r", "began_utc": run_start.utc, "evidence": "simulated",
        "file": "a.2.csv", "item": "a", "item_began_utc": result.utc, "repeat": "2",
    }  # fmt: skip
    assert (lost["file"], lost["item"], lost["repeat"]) == ("left-over.1.csv", "", "")


def test_what_is_odd_in_a_detail_stays_in_its_field() -> None:
    trace = Trace({}, (Mark("refused", 1.0, 0.0, 'start, "9000"\nrpm'),), 2.0)
    (row,) = rows(trace)
    assert row["note"] == 'refused start, "9000"\nrpm'
