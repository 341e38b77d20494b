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
    import pyarrow as pa

    same = pa.array(np.zeros(len(channel), dtype=np.int16))
    return pa.table(
        [
            pa.DictionaryArray.from_arrays(same, pa.array([channel.name])),
            pa.DictionaryArray.from_arrays(same, pa.array([channel.unit])),
            pa.array(channel.t),
            pa.array(channel.y),
        ],
        schema=schema,
    )


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
        table = pq.read_table(path, partitioning=None)
        facts = json.loads((table.schema.metadata or {})[_KEY])
        if facts["format"] > _FORMAT:
            raise StoreError(f"{path}: trace format {facts['format']} is newer than {_FORMAT}")
        t, y = table["t"].to_numpy(), table["y"].to_numpy()
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
        )
    except (OSError, ValueError, KeyError, TypeError, pa.ArrowException) as problem:
        raise StoreError(f"{path}: {_why(path, problem)}") from problem


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
