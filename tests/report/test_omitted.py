"""Planned items that are in no part of a run, in words."""

from __future__ import annotations

import pytest

from hil.core.record import DESELECTED, Omitted
from hil.report.omitted import NAMED, few, omitted_lines


def left(plan: str, why: str, *items: str) -> Omitted:
    return Omitted(plan=plan, why=why, items=dict.fromkeys(items, ()))


def test_nothing_left_out_is_not_told() -> None:
    assert list(omitted_lines((), 3)) == []


def test_one_line_for_each_reason_over_all_plans() -> None:
    found = left("a", DESELECTED, "x"), left("b", DESELECTED, "y"), left("b", "no brake", "z")
    assert list(omitted_lines(found, 2)) == [
        "deselected: 2 of 5 planned items are not in this run: x, y",
        "left out, no brake: 1 of 5 planned items are not in this run: z",
    ]


@pytest.mark.parametrize("more", [0, 1, 96])
def test_of_many_only_the_first_are_named(more: int) -> None:
    names = [f"item-{number}" for number in range(NAMED + more)]
    said = few(names)
    assert said.startswith(", ".join(names[:NAMED]))
    assert said.endswith(f", and {more} more" if more else names[-1])
