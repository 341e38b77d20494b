"""What a telemetry stream says about itself: board time without wraps, and how much is missing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hil.core.trace import FloatArray
from hil.ports.link import FieldSpec

Indices = npt.NDArray[np.signedinteger]

#: Board time may run ahead of the host's by so much (s, and part of the time passed) before the
#: difference counts as a restart and not as a wrap.
SLACK, DRIFT = 1.0, 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """What `Continuity.follow` found.

    board_time : shape (n,), s, unwrapped; NaN without such a field.
    lost, repeated : frames missing, and frames with the sequence number of the one before.
    restarts : how often the board time stepped back.
    """

    board_time: FloatArray
    lost: int = 0
    repeated: int = 0
    restarts: int = 0


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
        self._last_host: float | None = None

    def restart(self) -> None:
        """Forget the last sequence number, as after switching the stream off and on."""
        self._last_sequence = None

    def follow(self, columns: FloatArray, host_time: float | None = None) -> Followed:
        """Board time, and what was lost before or between the frames.

        Parameters
        ----------
        columns : shape (fields, n), raw numbers in order of arrival.
        host_time : s at which they arrived. With it, whole turns of the board time that passed
            without a frame are counted, and a restart is told from a wrap; else a step of more
            than half the modulus back counts as a wrap.

        The board time steps back when the board restarts; frames lost meanwhile are unknown and
        not counted. A gap of a whole turn of the sequence counter cannot be seen.
        """
        count = columns.shape[1]
        if not count:
            return Followed(np.empty(0))
        back: Indices | None = None
        if self._time is None:
            board_time = np.full(count, np.nan)
        else:
            spec = self._specs[self._time]
            counts, back = self._unwrap(spec, columns[self._time], host_time)
            board_time = counts * spec.scale + spec.offset
        restarts = 0 if back is None else back.size
        lost = repeated = 0
        if self._sequence is not None:
            spec = self._specs[self._sequence]
            lost, repeated = self._missing(spec, columns[self._sequence], back)
        return Followed(board_time, lost, repeated, restarts)

    def _unwrap(
        self, spec: FieldSpec, raw: FloatArray, host_time: float | None
    ) -> tuple[FloatArray, Indices | None]:
        """Counts without wraps, and the indices of the steps back, None without any."""
        if self._unwrapped is None:
            self._last_raw = self._unwrapped = float(raw[0])
        steps = _steps(raw, self._last_raw)
        low = float(steps.min())
        if spec.modulus:
            half = spec.modulus / 2.0
            first = self._first_step(spec, float(steps[0]), host_time)
            if low < -half or steps.max() >= half:
                steps = (steps + half) % spec.modulus - half
                low = float(steps.min())
            if first is not None and first != steps[0]:
                steps[0] = first
                low = float(steps.min())
        out = self._unwrapped + np.cumsum(steps)
        self._last_raw, self._unwrapped = float(raw[-1]), float(out[-1])
        if host_time is not None:
            self._last_host = host_time
        return out, np.flatnonzero(steps < 0.0) if low < 0.0 else None

    def _first_step(self, spec: FieldSpec, step: float, host_time: float | None) -> float | None:
        """Step since the last frame of the last read by the host's time, None if that is unknown.

        Within one read the host knows nothing; between two reads it knows how long it was.
        """
        if host_time is None or self._last_host is None or spec.scale <= 0.0:
            return None
        elapsed = (host_time - self._last_host) / spec.scale
        slack = SLACK / spec.scale + DRIFT * elapsed
        forward = step % spec.modulus
        turns = round((elapsed - forward) / spec.modulus)
        if turns >= 0 and abs(forward + turns * spec.modulus - elapsed) <= slack:
            return forward + turns * spec.modulus
        if forward > elapsed + slack and step < 0.0:
            return step
        return None

    def _missing(self, spec: FieldSpec, raw: FloatArray, back: Indices | None) -> tuple[int, int]:
        before = float(raw[0]) - 1.0 if self._last_sequence is None else self._last_sequence
        self._last_sequence = float(raw[-1])
        gaps = _steps(raw, before) - 1.0
        if not gaps.any():
            return 0, 0
        if spec.modulus:
            gaps %= spec.modulus
            if not gaps.any():
                return 0, 0
        if back is not None:
            gaps[back] = 0.0
        same = gaps == (spec.modulus - 1.0)
        gaps[same] = 0.0
        return int(np.maximum(gaps, 0.0).sum()), int(same.sum())


def _steps(raw: FloatArray, before: float) -> FloatArray:
    """Differences from one to the next, the first from `before`."""
    out = raw.copy()
    out[1:] -= raw[:-1]
    out[0] -= before
    return out
