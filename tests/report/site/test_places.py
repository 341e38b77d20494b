from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.report.site.places import (
    item_place,
    measure_place,
    report_place,
    run_place,
    safe,
    trace_place,
)
from hil.report.site.views import Strand

BENCH, TWIN = Strand("pump", "bench"), Strand("pump", "simulated")
LEGAL = re.compile(r"[a-z]+/[a-z0-9._-]{1,130}(/[a-z0-9._-]{1,130})?\.(html|js)")


@given(st.text(max_size=300), st.text(max_size=300))
def test_places_are_legal_everywhere(one: str, other: str) -> None:
    strand = Strand(one, "bench")
    for place in (
        measure_place(strand, other, one, other, "s"),
        item_place(strand, other, one),
        run_place(one),
        trace_place(one, other, 3),
        report_place(one),
    ):
        assert LEGAL.fullmatch(place), place
        assert not any(part.startswith(".") for part in place.split("/"))


@given(st.text(min_size=1, max_size=20), st.text(min_size=1, max_size=20))
def test_different_names_have_different_places(one: str, other: str) -> None:
    if one != other:
        assert run_place(one).lower() != run_place(other).lower()
        assert item_place(BENCH, "p", one) != item_place(BENCH, "p", other)


def test_what_is_in_the_key_is_in_the_place() -> None:
    places = {
        measure_place(BENCH, "p", "start", "overshoot", "%"),
        measure_place(TWIN, "p", "start", "overshoot", "%"),
        measure_place(BENCH, "q", "start", "overshoot", "%"),
        measure_place(BENCH, "p", "stall", "overshoot", "%"),
        measure_place(BENCH, "p", "start", "ripple", "%"),
        measure_place(BENCH, "p", "start", "overshoot", "1"),
        # Parts that only together read the same.
        measure_place(BENCH, "p", "start.overshoot", "", "%"),
    }
    assert len(places) == 7


@pytest.mark.parametrize("name", ["2026-03-01t22-15-09z-5f0c", "start.hall.cw.24v", "a_b"])
def test_ordinary_names_stay(name: str) -> None:
    assert safe(name) == name


@pytest.mark.parametrize("name", ["", ".", "..", "A", "a/b", "a b", "Ω", "x" * 200])
def test_others_get_a_fingerprint(name: str) -> None:
    assert re.search(r"-[0-9a-f]{8}$", safe(name))
