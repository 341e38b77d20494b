"""The figures of one run as one value of the database: read at once, a million in a moment."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: One figure: number of its series, position of its item in the record, then what was measured and
#: judged; NaN for no number, and `rows.VERDICTS` and `rows.OUTCOMES` by their places. Bytes of the
#: same layout on every machine. Another layout needs a revision of the tables.
FIGURE = np.dtype([
    ("series", "<i4"),
    ("position", "<i4"),
    ("repeat", "<i4"),
    ("value", "<f8"),
    ("uncertainty", "<f8"),
    ("low", "<f8"),
    ("high", "<f8"),
    ("verdict", "u1"),
    ("outcome", "u1"),
])  # fmt: skip


def pack(figures: Iterable[tuple[Any, ...]]) -> bytes:
    """Figures, each with all of `FIGURE` in that order; None is no number."""
    rows = [tuple(math.nan if part is None else part for part in figure) for figure in figures]
    return np.array(rows, dtype=FIGURE).tobytes()


def unpack(packed: bytes) -> NDArray[Any]:
    """The figures, dtype `FIGURE`, in the order in which they were packed.

    Raises
    ------
    ValueError
        If these are no figures.
    """
    found = np.frombuffer(packed, dtype=FIGURE)
    if found.size and not (found["series"].min() > 0 and found["position"].min() >= 0):
        raise ValueError("figures without series or item")
    return found
