"""Relation between the board's clock and the host's.

A telemetry frame is stamped by the board when it is made and by the host when it is read. The
host's stamp is late by the time on the line and by however long the bytes waited to be read, never
early; so the smallest difference is the best estimate of the offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hil.core.trace import FloatArray


@dataclass(frozen=True, slots=True)
class ClockRelation:
    """``host = board + offset``, with the standard uncertainty of the offset, in seconds.

    Parameters
    ----------
    offset : s.
    uncertainty : standard uncertainty of `offset`, s.
    jitter : standard deviation of the lateness of the host stamps, s.
    """

    offset: float
    uncertainty: float
    jitter: float

    def to_host(self, board_time: FloatArray) -> FloatArray:
        """Board times, shape (n,), on the host's scale."""
        return board_time + self.offset


def relate(host: FloatArray, board: FloatArray, line_time: float) -> ClockRelation:
    """Estimate the relation from pairs of stamps.

    Parameters
    ----------
    host, board : shape (n,), n >= 1, seconds; NaN in `board` is left out.
    line_time : seconds that one frame spends on the line, subtracted from the lateness.

    The offset is the smallest lateness less `line_time`. What remains unknown is how long even
    the least delayed frame waited: it lies between zero and the smallest step by which lateness
    varies, taken as rectangular (JCGM 100:2008, 4.3.7).

    Raises
    ------
    ValueError
        Without a single usable pair.
    """
    usable = np.isfinite(board)
    if not bool(usable.any()):
        raise ValueError("no frame carries board time")
    lateness = np.sort(host[usable] - board[usable])
    # Frames that arrive together are read together: the spread of the earliest few tells how
    # finely the true delay was probed.
    earliest = lateness[: max(2, min(10, lateness.size))]
    probe = float(earliest[-1] - earliest[0])
    return ClockRelation(
        offset=float(lateness[0]) - line_time,
        uncertainty=float(np.hypot(probe, line_time) / np.sqrt(12.0)),
        jitter=float(np.std(lateness)),
    )
