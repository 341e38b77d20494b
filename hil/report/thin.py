"""Numbers of a chart, packed into few characters; made few beforehand by `thin`."""

from __future__ import annotations

import base64

import numpy as np

from hil.core.thinning import thin
from hil.core.trace import FloatArray

__all__ = ["packed", "thin"]

_LEVELS = 65000  # of the 16-bit range, the rest is for 'no value'
_NO_VALUE = 65535


def packed(values: FloatArray, low: float, high: float) -> str:
    """Numbers between `low` and `high` as base64 of little-endian 16-bit steps; NaN has its own.

    Good to 1/65000 of the range, which no chart can show.
    """
    span = high - low or 1.0
    steps = np.full(values.shape, _NO_VALUE, dtype="<u2")
    valued = np.isfinite(values)
    steps[valued] = np.clip(np.rint((values[valued] - low) / span * _LEVELS), 0, _LEVELS)
    return base64.b64encode(steps.tobytes()).decode("ascii")
