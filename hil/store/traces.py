"""A trace as a Parquet file: tidy columns for other tools, and everything else in its metadata.

Columns ``channel``, ``unit``, ``t`` (s) and ``y`` (in the unit), one row a sample, one row group a
channel. The metadata key ``hil.trace`` holds marks, end, link statistics and the properties of the
channels as JSON, so that what is read back equals what was written, bit for bit.
"""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from hil.core.errors import StoreError
from hil.core.trace import Accuracy, Channel, Mark, Trace

_KEY = b"hil.trace"
_FORMAT = 1


def trace_bytes(trace: Trace) -> bytes:
    """The content of the Parquet file of `trace`."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    facts = {
        "format": _FORMAT,
        "end": trace.end,
        "frames": trace.frames,
        "lost": trace.lost,
        "repeated": trace.repeated,
        "resets": trace.resets,
        "bad": trace.bad,
        "marks": [[m.name, m.t, m.uncertainty, m.detail] for m in trace.marks],
        "channels": [
            {
                "key": key,
                "name": c.name,
                "unit": c.unit,
                "samples": len(c),
                "accuracy": [c.accuracy.relative, c.accuracy.absolute, c.accuracy.resolution],
                "time_uncertainty": c.time_uncertainty,
                "interval": c.interval,
            }
            for key, c in trace.channels.items()
        ],
    }
    words = pa.dictionary(pa.int16(), pa.string())
    schema = pa.schema(
        [("channel", words), ("unit", words), ("t", pa.float64()), ("y", pa.float64())],
        metadata={_KEY: json.dumps(facts).encode()},
    )
    sink = io.BytesIO()
    with pq.ParquetWriter(
        sink, schema, compression="zstd", use_dictionary=["channel", "unit"]
    ) as w:
        for channel in trace.channels.values():
            if len(channel):
                w.write_table(_rows(channel, schema), row_group_size=len(channel))
    return sink.getvalue()


def _rows(channel: Channel, schema: Any) -> Any:
    """Arrays from buffers: `pyarrow.array` would load pandas, which takes long."""
    import pyarrow as pa

    def column(values: npt.NDArray[Any], dtype: type[np.generic]) -> Any:
        held = pa.py_buffer(np.ascontiguousarray(values, dtype=dtype))
        return pa.Array.from_buffers(pa.from_numpy_dtype(dtype), len(channel), [None, held])

    def word(text: str) -> Any:
        content = text.encode()
        ends = pa.py_buffer(np.array([0, len(content)], dtype=np.int32))
        one = pa.Array.from_buffers(pa.string(), 1, [None, ends, pa.py_buffer(content)])
        return pa.DictionaryArray.from_arrays(same, one)

    same = column(np.zeros(len(channel)), np.int16)
    times, values = column(channel.t, np.float64), column(channel.y, np.float64)
    return pa.table([word(channel.name), word(channel.unit), times, values], schema=schema)


def read_trace(path: Path) -> Trace:
    """The trace in a file written by this project.

    Raises
    ------
    StoreError
        If the file is missing, damaged, or has no trace in it.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:  # `read_table` would load pandas, as below
            table = file.read()
        facts = json.loads((table.schema.metadata or {})[_KEY])
        if facts["format"] > _FORMAT:
            raise StoreError(f"{path}: trace format {facts['format']} is newer than {_FORMAT}")
        t, y = _numbers(table["t"]), _numbers(table["y"])
        channels: dict[str, Channel] = {}
        first = 0
        for c in facts["channels"]:
            last = first + c["samples"]
            channels[c["key"]] = Channel(
                c["name"],
                c["unit"],
                np.array(t[first:last], dtype=np.float64),
                np.array(y[first:last], dtype=np.float64),
                Accuracy(*c["accuracy"]),
                c["time_uncertainty"],
                c["interval"],
            )
            first = last
        if first != len(t):
            raise StoreError(f"{path}: holds {len(t)} samples, its description says {first}")
        marks = tuple(Mark(*mark) for mark in facts["marks"])
        return Trace(
            channels,
            marks,
            end=facts["end"],
            frames=facts["frames"],
            lost=facts["lost"],
            bad=facts["bad"],
            # Traces written before repeats were counted have none of them.
            repeated=facts.get("repeated", 0),
            resets=facts.get("resets"),
        )
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as problem:
        raise StoreError(f"{path}: {_why(path, problem)}") from problem


def _numbers(column: Any) -> npt.NDArray[np.float64]:
    """A column as an array: `to_numpy` would load pandas."""
    if str(column.type) != "double" or column.null_count:
        raise ValueError(f"expected a column of numbers, found {column.type}")
    return np.concatenate([np.empty(0), *map(np.from_dlpack, column.chunks)])


def check_trace(path: Path) -> None:
    """As `read_trace`, without the samples: a look at the end of the file, where all is described.

    Raises
    ------
    StoreError
        If the file is missing, cut short, or has no trace in it.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        found = pq.read_metadata(path)
        facts = json.loads((found.metadata or {})[_KEY])
        said = sum(channel["samples"] for channel in facts["channels"])
        if said != found.num_rows:
            raise StoreError(f"{path}: holds {found.num_rows} samples, its description says {said}")
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as problem:
        raise StoreError(f"{path}: {_why(path, problem)}") from problem


def _why(path: Path, problem: Exception) -> str:
    """What to say of a trace that cannot be read; some are rightly not there any more."""
    from hil.store.removed import removed_traces

    if not path.exists() and (rule := removed_traces(path.parents[1]).get(path.name)):
        return f"removed by a rule of retention: {rule}"
    return f"not a readable trace: {problem}"
