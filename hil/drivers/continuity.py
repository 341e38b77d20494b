"""What a telemetry stream says about itself: board time without wraps, and how much is missing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from hil.core.trace import FloatArray
from hil.ports.link import FieldSpec


class Continuity:
    """Follows the sequence counter and the board time from read to read."""

    def __init__(self, specs: Sequence[FieldSpec]) -> None:
        roles = [spec.role for spec in specs]
        self._specs = tuple(specs)
        self._time = roles.index("board-time") if "board-time" in roles else None
        self._sequence = roles.index("sequence") if "sequence" in roles else None
        self._last_sequence: float | None = None
        self._last_raw = 0.0
        self._unwrapped: float | None = None

    def restart(self) -> None:
        """Forget the last sequence number, as after switching the stream off and on."""
        self._last_sequence = None

    def follow(self, columns: FloatArray) -> tuple[FloatArray, int]:
        """Board time in s, shape (n,), and the number of frames lost before or between them.

        Parameters
        ----------
        columns : shape (fields, n), raw numbers in order of arrival.

        The board time may step back, which a board does when it restarts; a step of more than
        half the modulus counts as a step back. Without such a field it is NaN. A gap of a whole
        turn of the sequence counter cannot be seen.
        """
        count = columns.shape[1]
        if not count:
            return np.empty(0), 0
        if self._time is None:
            board_time = np.full(count, np.nan)
        else:
            spec = self._specs[self._time]
            board_time = self._unwrap(spec, columns[self._time]) * spec.scale + spec.offset
        lost = 0
        if self._sequence is not None:
            lost = self._lost(self._specs[self._sequence], columns[self._sequence])
        return board_time, lost

    def _unwrap(self, spec: FieldSpec, raw: FloatArray) -> FloatArray:
        if not spec.modulus:
            return raw
        if self._unwrapped is None:
            self._last_raw = self._unwrapped = float(raw[0])
        half = spec.modulus / 2.0
        steps = _steps(raw, self._last_raw)
        if steps.min() < -half or steps.max() >= half:
            steps = (steps + half) % spec.modulus - half
        out = self._unwrapped + np.cumsum(steps)
        self._last_raw, self._unwrapped = float(raw[-1]), float(out[-1])
        return out

    def _lost(self, spec: FieldSpec, raw: FloatArray) -> int:
        before = float(raw[0]) - 1.0 if self._last_sequence is None else self._last_sequence
        gaps = _steps(raw, before) - 1.0
        if spec.modulus:
            gaps %= spec.modulus
        else:
            gaps = np.maximum(gaps, 0.0)
        self._last_sequence = float(raw[-1])
        return int(gaps.sum())


def _steps(raw: FloatArray, before: float) -> FloatArray:
    """Differences from one to the next, the first from `before`."""
    out = raw.copy()
    out[1:] -= raw[:-1]
    out[0] -= before
    return out
