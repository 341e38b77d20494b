"""Relation between the board's clock and the host's.

A telemetry frame is stamped by the board when it is made and by the host when it is read. The
host's stamp is late by the time on the line and by however long the bytes waited to be read, never
early; so the relation is the line that lies under all differences and touches the earliest. Its
value is the offset, its slope the drift of one clock against the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from hil.core.trace import FloatArray

#: Shorter traces, s, cannot tell drift from jitter; then the clocks are taken to run alike.
LEAST_SPAN = 2.0
#: Over less of the host's time, s, the rate of the board's is not told.
LEAST_RATED = 1.0
#: A host that reads nothing for so long, s, and for so many times as long as usual, stood still:
#: what waited meanwhile says nothing of the board's clock.
STILL, UNUSUAL = 0.5, 5.0
#: Clocks that differ by more than this (fraction) are not two crystals: the slope is left out.
MOST_DRIFT = 0.02
#: A board clock that goes back by more than this, s, has wrapped around or been reset.
BACK = 1e-4


@dataclass(frozen=True, slots=True)
class ClockRelation:
    """``host = board * (1 + drift) + offset``, with standard uncertainties.

    Parameters
    ----------
    offset : s, at board time `origin`: what must be added to the board time there.
    uncertainty : standard uncertainty of the host time that a board time stands for, s, anywhere
        in the trace; rectangular (JCGM 100:2008, 4.3.7).
    jitter : standard deviation of the lateness of the host stamps, s.
    drift : how much slower the board's clock is than the host's, fraction (1e-6 is 1 ppm).
    drift_uncertainty : standard uncertainty of `drift`.
    origin : board time at which `offset` holds, s.
    """

    offset: float
    uncertainty: float
    jitter: float
    drift: float = 0.0
    drift_uncertainty: float = 0.0
    origin: float = 0.0

    @property
    def ppm(self) -> float:
        """Drift in parts per million."""
        return 1e6 * self.drift

    def to_host(self, board_time: FloatArray) -> FloatArray:
        """Board times, shape (n,), on the host's scale."""
        return board_time + self.offset + self.drift * (board_time - self.origin)


def relate(
    host: FloatArray, board: FloatArray, line_time: float, turnaround: float = 0.0
) -> ClockRelation:
    """Estimate the relation from pairs of stamps.

    Parameters
    ----------
    host, board : shape (n,), n >= 1, seconds; NaN in `board` is left out.
    line_time : seconds that one frame spends on the line, subtracted from the lateness.
    turnaround : seconds within which an answer came, beyond its time on the line.

    Over `LEAST_SPAN` or more the drift is the slope of that edge of the lower convex hull of the
    lateness that lies over the middle of the trace: no frame is early against it, and frames that
    waited long have no say. What remains unknown is how long even the least delayed frame waited:
    it lies between zero and the smallest step by which lateness varies. What an adapter or a driver
    takes for every frame does not vary: that is no more than the turnaround, of which it is a part
    (rectangular from zero, and left uncorrected: its mean square counts, JCGM 100:2008, F.2.4.5).

    Raises
    ------
    ValueError
        Without a single usable pair.
    """
    usable = np.isfinite(board) & np.isfinite(host)
    if not bool(usable.any()):
        raise ValueError("no frame carries board time")
    x, late = board[usable], host[usable] - board[usable]
    origin = float(x[0])
    drift, drift_uncertainty = _drift(x - origin, late)
    flat = np.sort(late - drift * (x - origin))
    # Frames that arrive together are read together: the spread of the earliest few tells how
    # finely the true delay was probed.
    earliest = flat[: max(2, min(10, flat.size))]
    probe = float(earliest[-1] - earliest[0])
    return ClockRelation(
        offset=float(flat[0]) - line_time,
        uncertainty=math.hypot(
            probe / math.sqrt(12.0), line_time / math.sqrt(12.0), turnaround / math.sqrt(3.0)
        ),
        jitter=float(np.std(flat)),
        drift=drift,
        drift_uncertainty=drift_uncertainty,
        origin=origin,
    )


def rate(host: FloatArray, board: FloatArray) -> float | None:
    """How many times as fast as the host's the board's time runs; None if that cannot be told.

    Shape (n,), s. Over the longest stretch without a reset of the board, and in which the host did
    not stand still, of at least `LEAST_RATED` of the host.
    """
    usable = np.isfinite(board) & np.isfinite(host)
    host, board = host[usable], board[usable]
    longest, found = LEAST_RATED, None
    for part in (piece for stretch in segments(board) for piece in _read_on(host, stretch)):
        h, b = host[part], board[part]
        if not h.size:
            continue
        # Frames that are read together have one stamp, that of the last of them.
        first = int(np.flatnonzero(h == h[0])[-1])
        span = float(h[-1] - h[first])
        if span >= longest:
            longest, found = span, float(b[-1] - b[first]) / span
    return found


def _read_on(host: FloatArray, stretch: slice) -> Iterator[slice]:
    """The parts of a stretch of frames between which the host stood still."""
    gaps = np.diff(host[stretch])
    read = gaps[gaps > 0.0]
    most = max(STILL, UNUSUAL * float(np.median(read))) if read.size else math.inf
    cuts = stretch.start + 1 + np.flatnonzero(gaps > most)
    for a, b in pairwise([stretch.start, *cuts.tolist(), stretch.stop]):
        yield slice(a, b)


def _drift(x: FloatArray, late: FloatArray) -> tuple[float, float]:
    """Slope of the lower hull over the middle of `x`, and its standard uncertainty."""
    span = float(np.max(x) - np.min(x))
    if span < LEAST_SPAN:
        return 0.0, 0.0
    i = _lower_hull(x, late)
    if i.size < 2:
        return 0.0, 0.0
    middle = 0.5 * float(x[i[0]] + x[i[-1]])
    k = int(np.clip(np.searchsorted(x[i], middle, side="right"), 1, i.size - 1))
    width = float(x[i[k]] - x[i[k - 1]])
    slope = float(late[i[k]] - late[i[k - 1]]) / width
    # The two frames that carry the edge waited, each, up to the step by which lateness is probed.
    low = np.sort(late - slope * x)[: max(2, min(10, x.size))]
    spread = float(low[-1] - low[0]) / width
    if abs(slope) > MOST_DRIFT:
        return 0.0, 0.0
    # Over so short an edge the slope is noise: drift that is not seen is not corrected.
    if abs(slope) <= 2.0 * spread or width < LEAST_SPAN / 2.0:
        return 0.0, float(np.hypot(spread, slope))
    return slope, float(spread)


def _lower_hull(x: FloatArray, y: FloatArray) -> np.typing.NDArray[np.intp]:
    """Indices of the lower convex hull, from left to right (monotone chain)."""
    order = np.lexsort((y, x))
    hull: list[int] = []
    left, low = x.tolist(), y.tolist()  # plain numbers: a trace has thousands of frames
    for j in order.tolist():
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (left[b] - left[a]) * (low[j] - low[a]) > (low[b] - low[a]) * (left[j] - left[a]):
                break
            hull.pop()
        hull.append(j)
    return np.array(hull, dtype=np.intp)


def unwrap(board: FloatArray, modulus: float) -> FloatArray:
    """Board times without the wrap-around of a counter that starts again at `modulus` s.

    Shape (n,); NaN stays. A step back of more than half the modulus is a wrap-around; a lesser one
    is a reset of the board and is left as it is (see `segments`).

    Raises
    ------
    ValueError
        If the modulus is not positive.
    """
    if not modulus > 0.0:
        raise ValueError(f"a counter wraps around after a positive time, found {modulus!r} s")
    found = board.copy()
    usable = np.flatnonzero(np.isfinite(board))
    if usable.size > 1:
        turns = np.cumsum(np.diff(board[usable]) < -0.5 * modulus)
        found[usable[1:]] += modulus * turns
    return found


def segments(board: FloatArray) -> tuple[slice, ...]:
    """Stretches between resets of the board, each a slice of frames; shape (n,), NaN is ignored.

    Each needs a relation of its own: after a reset the board counts from another zero.
    """
    usable = np.flatnonzero(np.isfinite(board))
    cuts = usable[1:][np.diff(board[usable]) < -BACK] if usable.size > 1 else usable[:0]
    edges = [0, *cuts.tolist(), int(board.size)]
    return tuple(slice(a, b) for a, b in pairwise(edges))
