from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from hil.core.errors import StoreError
from hil.core.trace import Accuracy, Channel, Mark, Trace
from hil.store.traces import read_trace, trace_bytes

names = st.sampled_from(["reported.speed", "witness.speed", "supply.voltage", 'µ, "odd"\n'])
amount = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def channels(draw: st.DrawFn) -> tuple[str, Channel]:
    t = draw(hnp.arrays(np.float64, st.integers(0, 20), elements=amount, unique=True))
    y = draw(hnp.arrays(np.float64, t.size, elements=st.floats()))
    name, unit = draw(names), draw(st.sampled_from(["rpm", "V", "degC"]))
    accuracy = Accuracy(draw(amount), draw(amount), draw(amount))
    return name, Channel(name, unit, np.sort(t + 0.0), y, accuracy, draw(amount), draw(amount))


traces = st.builds(
    Trace,
    st.lists(channels(), max_size=4).map(dict),
    st.lists(
        st.builds(Mark, st.text(max_size=5), amount, amount, st.text(max_size=5)), max_size=3
    ).map(tuple),
    amount,
    st.integers(0, 10**6),
    st.integers(0, 10**6),
    st.integers(0, 10**6),
    st.integers(0, 10**6),
    st.none() | st.integers(0, 10),
)


def _increasing(trace: Trace) -> bool:
    return all(bool(np.all(np.diff(c.t) > 0.0)) for c in trace.channels.values())


def _same(a: Trace, b: Trace) -> None:
    assert list(a.channels) == list(b.channels)
    assert (a.marks, a.end, a.frames, a.lost, a.bad) == (b.marks, b.end, b.frames, b.lost, b.bad)
    assert (a.repeated, a.resets) == (b.repeated, b.resets)
    for one, other in zip(a.channels.values(), b.channels.values(), strict=True):
        assert (one.name, one.unit, one.accuracy) == (other.name, other.unit, other.accuracy)
        assert (one.time_uncertainty, one.interval) == (other.time_uncertainty, other.interval)
        # array_equal on the bits: NaN, infinities and negative zero included.
        assert one.t.tobytes() == other.t.tobytes()
        np.testing.assert_array_equal(one.y, other.y)


@given(trace=traces.filter(_increasing))
def test_any_trace_comes_back_bit_for_bit(
    trace: Trace, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.parquet"
    path.write_bytes(trace_bytes(trace))
    _same(read_trace(path), trace)


@pytest.fixture
def small() -> Trace:
    t = np.linspace(0.0, 1.0, 11)
    gap = np.where(t > 0.5, np.nan, t)
    return Trace(
        {
            "reported.speed": Channel("reported.speed", "rpm", t, gap, Accuracy(0.01, 2.0, 0.5)),
            "supply.voltage": Channel("supply.voltage", "V", t[:3], t[:3]),
            "witness.speed": Channel("witness.speed", "rpm", t[:0], t[:0]),
        },
        (Mark("command", 0.1, 0.001, "2000 rpm"),),
        1.0,
        11,
        2,
        1,
    )


def test_other_tools_find_tidy_columns_and_one_row_group_a_channel(
    small: Trace, tmp_path: Path
) -> None:
    path = tmp_path / "t.parquet"
    path.write_bytes(trace_bytes(small))
    assert pq.ParquetFile(path).num_row_groups == 2  # the channel without samples has none
    frame = pq.read_table(path).to_pandas()
    assert list(frame.columns) == ["channel", "unit", "t", "y"]
    speed = frame[frame.channel == "reported.speed"]
    assert set(speed.unit) == {"rpm"}
    assert int(speed.y.isna().sum()) == 5
    _same(read_trace(path), small)


def test_equal_traces_give_equal_bytes(small: Trace) -> None:
    assert trace_bytes(small) == trace_bytes(small)


def test_a_trace_without_channels_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    path.write_bytes(trace_bytes(Trace({}, (), 2.0)))
    assert read_trace(path).end == 2.0


@pytest.mark.parametrize("cut", [0, 10, 200, -1])
def test_a_damaged_file_is_a_store_error(small: Trace, tmp_path: Path, cut: int) -> None:
    path = tmp_path / "t.parquet"
    path.write_bytes(trace_bytes(small)[:cut])
    with pytest.raises(StoreError, match=r"t\.parquet: not a readable trace"):
        read_trace(path)


@pytest.mark.parametrize("column", [pa.array([None, 1.0]), pa.array(["a", "b"])], ids=str)
def test_a_column_that_holds_no_numbers_is_a_store_error(
    small: Trace, tmp_path: Path, column: pa.Array
) -> None:
    path = tmp_path / "t.parquet"
    path.write_bytes(trace_bytes(small))
    table = pq.read_table(path).slice(0, 2)
    pq.write_table(table.set_column(table.schema.names.index("y"), "y", column), path)
    with pytest.raises(StoreError, match="not a readable trace"):
        read_trace(path)


def test_a_missing_file_is_a_store_error(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="not a readable trace"):
        read_trace(tmp_path / "none.parquet")


def test_somebody_elses_table_is_a_store_error(small: Trace, tmp_path: Path) -> None:
    path = tmp_path / "t.parquet"
    path.write_bytes(trace_bytes(small))
    pq.write_table(pq.read_table(path).replace_schema_metadata(None), path)
    with pytest.raises(StoreError, match="not a readable trace"):
        read_trace(path)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (b'"format": 1', b'"format": 2', "trace format 2 is newer than 1"),
        (b'"samples": 3', b'"samples": 1', "holds 14 samples, its description says 12"),
    ],
)
def test_a_description_that_does_not_fit_is_a_store_error(
    small: Trace, tmp_path: Path, old: bytes, new: bytes, says: str
) -> None:
    path = tmp_path / "t.parquet"
    path.write_bytes(trace_bytes(small))
    table = pq.read_table(path)
    metadata = {k: v.replace(old, new) for k, v in table.schema.metadata.items()}
    pq.write_table(table.replace_schema_metadata(metadata), path)
    with pytest.raises(StoreError, match=says):
        read_trace(path)
