"""What a telemetry stream says about itself: board time without wraps, and how much is missing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hil.core.trace import FloatArray
from hil.ports.link import FieldSpec, MessageSpec


class Continuity:
    """Follows the sequence counter and the board time from read to read."""

    def __init__(self, telemetry: MessageSpec) -> None:
        self._time = next((f for f in telemetry.fields if f.role == "board-time"), None)
        self._sequence = next((f for f in telemetry.fields if f.role == "sequence"), None)
        self._last_sequence: float | None = None
        self._last_raw = 0.0
        self._unwrapped: float | None = None

    def restart(self) -> None:
        """Forget the last sequence number, as after switching the stream off and on."""
        self._last_sequence = None

    def follow(
        self, specs: Sequence[FieldSpec], columns: Sequence[FloatArray] | FloatArray
    ) -> tuple[FloatArray, int]:
        """Board time in s, shape (n,), and the number of frames lost before or between them.

        The board time may step back, which a board does when it restarts; a step of more than
        half the modulus counts as a step back. Without such a field it is NaN. A gap of a whole
        turn of the sequence counter cannot be seen.
        """
        count = len(columns[0]) if len(columns) else 0
        board_time = np.full(count, np.nan)
        lost = 0
        if not count:
            return board_time, lost
        for spec, column in zip(specs, columns, strict=True):
            if spec is self._time:
                board_time = self._unwrap(spec, column) * spec.scale + spec.offset
            elif spec is self._sequence:
                lost = self._lost(spec, column)
        return board_time, lost

    def _unwrap(self, spec: FieldSpec, raw: FloatArray) -> FloatArray:
        if not spec.modulus:
            return raw
        if self._unwrapped is None:
            self._last_raw = self._unwrapped = float(raw[0])
        half = spec.modulus / 2.0
        steps = np.diff(raw, prepend=self._last_raw)
        steps = (steps + half) % spec.modulus - half
        out = self._unwrapped + np.cumsum(steps)
        self._last_raw, self._unwrapped = float(raw[-1]), float(out[-1])
        return out

    def _lost(self, spec: FieldSpec, raw: FloatArray) -> int:
        before = float(raw[0]) - 1.0 if self._last_sequence is None else self._last_sequence
        gaps = np.diff(raw, prepend=before) - 1.0
        if spec.modulus:
            gaps %= spec.modulus
        else:
            gaps = np.maximum(gaps, 0.0)
        self._last_sequence = float(raw[-1])
        return int(gaps.sum())
