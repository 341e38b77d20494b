"""Long series made short for drawing, without losing a peak."""

from __future__ import annotations

import base64

import numpy as np

from hil.core.trace import FloatArray

_LEVELS = 65000  # of the 16-bit range, the rest is for 'no value'
_NO_VALUE = 65535


def thin(t: FloatArray, y: FloatArray, points: int) -> tuple[FloatArray, FloatArray]:
    """At most `points` samples of a series: the smallest and largest of each stretch, in order.

    Parameters
    ----------
    t, y : shape (n,); NaN in `y` is a gap. A stretch of nothing but NaN keeps one of them.
    points : at least 4.

    Returns
    -------
    t, y : shape (m,), m <= points, samples of the input unchanged; the first and last are kept.
    """
    if points < 4:
        raise ValueError(f"a thinned series needs at least 4 points, asked for {points}")
    n = t.size
    if n <= points:
        return t, y
    # The first and last sample stand on their own; the rest is cut into rows of equal length.
    width = -(-(n - 2) // ((points - 2) // 2))
    rows = np.full((-(-(n - 2) // width), width), np.nan)
    rows.flat[: n - 2] = y[1:-1]
    gaps = np.isnan(rows)
    first = 1 + width * np.arange(rows.shape[0])
    smallest = first + np.where(gaps, np.inf, rows).argmin(axis=1)
    largest = first + np.where(gaps, -np.inf, rows).argmax(axis=1)
    keep = np.unique(np.concatenate(([0, n - 1], smallest, largest)))
    return t[keep], y[keep]


def packed(values: FloatArray, low: float, high: float) -> str:
    """Numbers between `low` and `high` as base64 of little-endian 16-bit steps; NaN has its own.

    Good to 1/65000 of the range, which no chart can show.
    """
    span = high - low or 1.0
    steps = np.full(values.shape, _NO_VALUE, dtype="<u2")
    valued = np.isfinite(values)
    steps[valued] = np.clip(np.rint((values[valued] - low) / span * _LEVELS), 0, _LEVELS)
    return base64.b64encode(steps.tobytes()).decode("ascii")
