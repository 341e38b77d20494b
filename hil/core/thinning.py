"""Long series made short, without losing a peak: for drawing, and for traces kept for years."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from hil.core.trace import Channel, FloatArray, Trace


def thin(t: FloatArray, y: FloatArray, points: int) -> tuple[FloatArray, FloatArray]:
    """At most `points` samples of a series: the smallest and largest of each stretch, in order.

    Parameters
    ----------
    t, y : shape (n,); NaN in `y` is a gap. A stretch of nothing but NaN keeps one of them.
    points : at least 4.

    Returns
    -------
    t, y : shape (m,), m <= points, samples of the input unchanged; the first and last are kept.

    Raises
    ------
    ValueError
        For fewer points.
    """
    if t.size <= points:
        _check(points)
        return t, y
    keep = _kept(y, points)
    return t[keep], y[keep]


def thin_trace(trace: Trace, points: int) -> Trace:
    """A trace with about `points` samples a channel, its marks and everything else as it was.

    Beside the smallest and largest sample of each stretch, and the first and last, the samples
    next to each mark on either side are kept. All are samples of the input, unchanged. The nominal
    interval of a thinned channel is that of the stretches, so that what was lost before still
    shows as a gap if it is longer than those.

    Raises
    ------
    ValueError
        For fewer than 4 points.
    """
    _check(points)
    marks = [mark.t for mark in trace.marks]
    channels = {key: _thin_channel(c, points, marks) for key, c in trace.channels.items()}
    return replace(trace, channels=channels)


def is_thin(trace: Trace, points: int) -> bool:
    """Whether `thin_trace` would leave out nothing worth a new file: a tenth of some channel."""
    spare = points + 2 * len(trace.marks)
    return all(len(channel) <= 1.1 * spare for channel in trace.channels.values())


def _thin_channel(channel: Channel, points: int, marks: Iterable[float]) -> Channel:
    n = len(channel)
    if n <= points:
        return channel
    after = np.searchsorted(channel.t, np.fromiter(marks, dtype=np.float64))
    beside = np.clip(np.concatenate((after - 1, after)), 0, n - 1)
    keep = np.union1d(_kept(channel.y, points), beside)
    # Smallest and largest of neighbouring stretches lie two of them apart at most.
    interval = channel.interval * 2 * _width(n, points)
    return replace(channel, t=channel.t[keep], y=channel.y[keep], interval=interval)


def _kept(y: FloatArray, points: int) -> npt.NDArray[np.intp]:
    """Indices of what is kept of more than `points` samples."""
    _check(points)
    n = y.size
    # The first and last sample stand on their own; the rest is cut into rows of equal length.
    width = _width(n, points)
    rows = np.full((-(-(n - 2) // width), width), np.nan)
    rows.flat[: n - 2] = y[1:-1]
    gaps = np.isnan(rows)
    first = 1 + width * np.arange(rows.shape[0])
    smallest = first + np.where(gaps, np.inf, rows).argmin(axis=1)
    largest = first + np.where(gaps, -np.inf, rows).argmax(axis=1)
    return np.unique(np.concatenate(([0, n - 1], smallest, largest)))


def _width(n: int, points: int) -> int:
    """Samples of a stretch."""
    return -(-(n - 2) // ((points - 2) // 2))


def _check(points: int) -> None:
    if points < 4:
        raise ValueError(f"a thinned series needs at least 4 points, asked for {points}")
