"""Rungs of a ladder and the lines they are called by."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.ladder import BROKEN, in_words, line_of, rung_of


@pytest.mark.parametrize(
    ("rung", "line", "words"),
    [
        (60.0, "temperature-60", "60 degC"),
        (-12.5, "temperature--12.5", "-12.5 degC"),
        ("open", "temperature-open", "an open line"),
        ("short", "temperature-short", "a short circuit"),
    ],
)
def test_a_line_and_back(rung, line: str, words: str) -> None:
    assert line_of(rung) == line
    assert rung_of(line) == rung
    assert in_words(line) == words


@given(st.integers(-60, 200))
def test_every_whole_degree_comes_back(degrees: int) -> None:
    assert rung_of(line_of(float(degrees))) == degrees


@pytest.mark.parametrize(
    "line", ["hall-a", "temperature-sensor", "temperature-", "temperature-nan", "temperature-inf"]
)
def test_other_lines_are_no_rungs(line: str) -> None:
    assert rung_of(line) is None


def test_what_is_broken_is_told_in_words() -> None:
    assert set(BROKEN) == {"open", "short"}
