"""Figures as columns: every number as it stands in the table, in order of time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import create_engine, insert

from hil.store.index.read import _columns, _ordered
from hil.store.index.rows import OUTCOMES, VERDICTS
from hil.store.index.schema import figures, metadata

NUMBER = st.none() | st.floats(allow_nan=False)
FIGURE = st.tuples(
    st.integers(1, 2**31 - 1),  # series
    st.integers(1, 2**31 - 1),  # item
    st.integers(0, 2**31 - 1),  # repeat
    NUMBER,
    NUMBER,
    NUMBER,
    NUMBER,
    st.integers(0, len(VERDICTS) - 1),
    st.integers(0, len(OUTCOMES) - 1),
)
NAMES = (
    "series_id", "item_id", "repeat", "value", "uncertainty", "low", "high", "verdict", "outcome",
)  # fmt: skip


@settings(deadline=None, max_examples=60)
@given(st.lists(FIGURE, max_size=20))
def test_every_number_is_read_as_it_was_written(rows):
    engine = create_engine("sqlite://")
    metadata.create_all(engine)
    with engine.connect() as connection:
        for number, row in enumerate(rows, 1):
            connection.execute(
                insert(figures).values(id=number, **dict(zip(NAMES, row, strict=True)))
            )
        found = _columns(connection, None)
    engine.dispose()
    assert found.shape == (len(NAMES), len(rows))
    for read, row in zip(found.T.tolist(), rows, strict=True):
        written = [math.nan if number is None else float(number) for number in row]
        assert np.array_equal(read, written, equal_nan=True)


@pytest.mark.parametrize("most", [5, 2**16 - 1, 2**16, 2**31])
@given(seed=st.integers(0, 2**32), count=st.integers(1, 200))
def test_figures_are_ordered_by_series_then_time_then_item(most, seed, count):
    rng = np.random.default_rng(seed)
    begun = rng.integers(0, 9, 30)
    item = rng.integers(0, 30, count)
    owner = rng.choice([0, 1, most], count)
    whole = np.lexsort((np.arange(count), item, begun[item], owner))
    assert _ordered(owner, item, begun).tolist() == whole.tolist()
