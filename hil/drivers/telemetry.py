"""Telemetry of one kind, decoded in bulk: payloads to one matrix of raw numbers to channels.

telemetry = Telemetry(message, layout)
batch = telemetry.decode(frames, host_time)     # Batch(values, board_time, lost, good, bad)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.core.trace import FloatArray
from hil.drivers.continuity import Continuity
from hil.drivers.fields import FLOATS, Columns, Parts, in_range, leaves
from hil.drivers.framing.base import Reject
from hil.drivers.layout import Layout
from hil.ports.link import MessageSpec

Flags = np.ndarray[tuple[int], np.dtype[np.bool_]]


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Decoded telemetry.

    values : channel -> shape (n,), canonical; board_time : shape (n,), s, unwrapped, NaN without;
    lost, repeated : frames missing and repeated by the sequence counter; restarts : steps back of
    the board time; good : shape (m,) of bool, which of the payloads given decoded (n of m);
    bad : texts about the others.
    """

    values: Mapping[str, FloatArray]
    board_time: FloatArray
    lost: int
    good: Flags
    bad: list[str] = field(default_factory=list)
    repeated: int = 0
    restarts: int = 0


class Conversion:
    """Raw rows of one telemetry message to channels, with board time and gaps followed."""

    def __init__(self, message: MessageSpec) -> None:
        self.leaves = leaves(message.fields)
        self._parts = Parts(message.fields)
        self._columns = Columns(self.leaves)
        self._channels = [(s.channel, i) for i, s in enumerate(self.leaves) if s.channel]
        self.continuity = Continuity(self.leaves)

    def batch(self, raw: FloatArray, good: Flags, bad: list[str], host_time: float | None) -> Batch:
        """`raw` has shape (n, fields); `good` and `bad` are handed on."""
        columns = self._parts.spread(np.ascontiguousarray(raw.T))
        canonical = self._columns.convert(columns, bad)
        values = {channel: canonical[index] for channel, index in self._channels}
        found = self.continuity.follow(columns, host_time)
        return Batch(
            values, found.board_time, found.lost, good, bad, found.repeated, found.restarts
        )


class Telemetry:
    """Decodes payloads of one telemetry message of a line or binary protocol."""

    def __init__(self, message: MessageSpec, layout: Layout) -> None:
        self._message, self._layout = message, layout
        self._conversion = Conversion(message)
        self.continuity = self._conversion.continuity
        self._numbers = tuple(f for f in message.fields if f.type != "text")
        self._has_float = any(f.type in FLOATS for f in self._numbers)
        self._row = layout.row(message)
        self._lead = 1 if message.key != "" else 0
        self._plain = len(self._numbers) == len(message.fields) and not any(
            f.type == "hex" or f.missing_text for f in self._numbers
        )

    def decode(self, frames: Sequence[bytes], host_time: float | None = None) -> Batch:
        """Decode payloads in one go, in order of arrival; never raises on bad bytes."""
        good = np.ones(len(frames), dtype=np.bool_)
        bad: list[str] = []
        rows = self._binary_rows if self._layout.binary else self._text_rows
        return self._conversion.batch(rows(frames, good, bad), good, bad, host_time)

    def _binary_rows(self, frames: Sequence[bytes], good: Flags, bad: list[str]) -> FloatArray:
        size = self._row.size
        if set(map(len, frames)) - {size}:
            for index, frame in enumerate(frames):
                if len(frame) != size:
                    good[index] = False
                    reason = f"{self._message.name}: {len(frame)} bytes, expected {size}"
                    bad.append(str(Reject(frame, reason)))
            frames = [frame for frame, fits in zip(frames, good, strict=True) if fits]
        rows = list(self._row.iter_unpack(b"".join(frames)))
        matrix = np.array(rows, dtype=np.float64).reshape(len(rows), len(self._numbers))
        if self._has_float:
            # a float field that is not finite is a value that is missing, not a broken frame
            matrix[~np.isfinite(matrix)] = np.nan
        return matrix

    def _text_rows(self, frames: Sequence[bytes], good: Flags, bad: list[str]) -> FloatArray:
        separator, width = self._layout.separator, len(self._message.fields)
        lead = self._lead
        marks = width + lead - 1
        if self._plain and frames and all(frame.count(separator) == marks for frame in frames):
            body = separator.join(frames)
            parts = body.split(separator)
            if lead:
                del parts[:: width + 1]
            matrix = _matrix(parts, width)
            if matrix is not None and b"_" not in body and self._fits(matrix):
                return matrix
        rows = []
        for index, frame in enumerate(frames):
            raw = self._layout.unpack(self._message, frame)
            if isinstance(raw, str):
                good[index] = False
                bad.append(str(Reject(frame, f"{self._message.name}: {raw}")))
            else:
                rows.append([item for item in raw if not isinstance(item, str)])
        return np.array(rows, dtype=np.float64).reshape(len(rows), len(self._numbers))

    def _fits(self, matrix: FloatArray) -> bool:
        if not bool(np.isfinite(matrix).all()):
            return False
        return all(
            in_range(spec, matrix[:, index])
            for index, spec in enumerate(self._numbers)
            if spec.type != "number"
        )


def _matrix(words: list[bytes], width: int) -> FloatArray | None:
    """Words of a line protocol as rows of so many numbers; None if any of them is none."""
    for number in (int, float):  # most firmware sends whole numbers: they are read twice as fast
        try:
            return np.array(list(map(number, words)), np.float64).reshape(-1, width)
        except (ValueError, OverflowError):
            pass
    return None
