"""Figures in order of time, and what is told of damaged ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import delete, update

from hil.core.errors import StoreError
from hil.store.index import open_index
from hil.store.index.read import _ordered
from hil.store.index.schema import items, packed_figures


@pytest.mark.parametrize("most", [5, 2**16 - 1, 2**16, 2**31])
@given(seed=st.integers(0, 2**32), count=st.integers(1, 200))
def test_figures_are_ordered_by_series_then_time_then_item(most, seed, count):
    rng = np.random.default_rng(seed)
    begun = rng.integers(0, 9, 30)
    item = rng.integers(0, 30, count)
    owner = rng.choice([0, 1, most], count)
    whole = np.lexsort((np.arange(count), item, begun[item], owner))
    assert _ordered(owner, item, begun).tolist() == whole.tolist()


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        (update(packed_figures).values(packed=b"short"), "buffer size"),
        (update(packed_figures).values(packed=b"\0" * 46), "without series or item"),
        (delete(items), "an item that is not there"),
    ],
)
def test_damaged_figures_are_told_with_their_run(night, place: str, statement, why: str) -> None:
    with open_index(place) as index:
        index.add(night("n1"))
        assert sum(map(len, index.all_series().values())) == 1
        with index._database.writing() as connection:
            connection.execute(statement)
        with pytest.raises(StoreError, match=f"figures of the run n1 are damaged.*{why}"):
            index.all_series()


def test_an_index_without_figures_has_no_series(place: str) -> None:
    with open_index(place) as index:
        assert index.keys() == []
        assert index.all_series() == {}
