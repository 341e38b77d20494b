"""Figures of a run in one value: every number comes back as it was put in."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.store.index.packing import FIGURE, pack, unpack
from hil.store.index.rows import OUTCOMES, VERDICTS

NUMBER = st.none() | st.floats(allow_nan=False)
FIGURES = st.tuples(
    st.integers(1, 2**31 - 1),  # series
    st.integers(0, 2**31 - 1),  # position of the item
    st.integers(0, 2**31 - 1),  # repeat
    NUMBER,
    NUMBER,
    NUMBER,
    NUMBER,
    st.integers(0, len(VERDICTS) - 1),
    st.integers(0, len(OUTCOMES) - 1),
)


@given(st.lists(FIGURES, max_size=20))
def test_every_number_is_read_as_it_was_written(figures):
    found = unpack(pack(figures))
    assert len(found) == len(figures)
    for read, figure in zip(found.tolist(), figures, strict=True):
        written = [math.nan if part is None else part for part in figure]
        assert np.array_equal(read, written, equal_nan=True)


def test_the_layout_is_the_same_on_every_machine():
    """Written once and for all: another layout needs a revision of the tables."""
    (packed,) = [pack([(1, 2, 3, 0.5, None, -1.0, 2.0, 4, 5)])]
    assert packed == (
        b"\x01\0\0\0\x02\0\0\0\x03\0\0\0"
        b"\0\0\0\0\0\0\xe0\x3f" + np.array(np.nan, "<f8").tobytes()
        + b"\0\0\0\0\0\0\xf0\xbf\0\0\0\0\0\0\0\x40\x04\x05"
    )  # fmt: skip
    assert FIGURE.itemsize == len(packed) == 46


@pytest.mark.parametrize(
    ("packed", "why"),
    [
        (b"x", "buffer size"),
        (b"\1" * 45, "buffer size"),
        (b"\0" * 46, "without series"),
        (b"\xff" * 46, "without series"),
    ],
)
def test_what_are_no_figures_is_told(packed, why):
    with pytest.raises(ValueError, match=why):
        unpack(packed)
