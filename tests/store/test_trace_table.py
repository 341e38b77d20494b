from __future__ import annotations

import csv
import io
import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from hil.core.trace import Channel, Mark, Trace
from hil.store.trace_table import COLUMNS, MARK, trace_csv

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
    assert [float(row["t"]) for row in found] == times.tolist()
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
        "t,channel,value,unit,note",
        "0.0,supply.voltage,24.0,V,",
        "0.5,supply.voltage,,V,",
        "0.0,witness.speed,-0.125,rpm,",
        "0.25,mark,,,command +1500 rpm",
        "0.5,mark,,,stop",
    ]
    assert MARK not in trace.channels


def test_an_empty_trace_is_its_header() -> None:
    assert trace_csv(Trace({})) == b"t,channel,value,unit,note\n"


def test_what_is_odd_in_a_detail_stays_in_its_field() -> None:
    trace = Trace({}, (Mark("refused", 1.0, 0.0, 'start, "9000"\nrpm'),), 2.0)
    (row,) = rows(trace)
    assert row["note"] == 'refused start, "9000"\nrpm'
