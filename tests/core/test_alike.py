"""Suggestions for names that there are not."""

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core import alike as module
from hil.core.alike import MOST, alike, nearest

STALL = ("tripped", "trip-time-from-brake", "trip-time-from-standstill", "peak-current", "latched",
         "direction-agreement", "speed-dip", "speed-disagreement")  # fmt: skip
NAMES = st.lists(st.text("abcde-", min_size=1, max_size=12), max_size=12)


def test_the_examples_hold() -> None:
    assert doctest.testmod(module).attempted >= 4
    assert doctest.testmod(module).failed == 0


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("trip-time", ["trip-time-from-brake", "trip-time-from-standstill"]),
        ("triped", ["tripped"]),
        ("detection-time", ["trip-time-from-brake", "trip-time-from-standstill"]),
        ("current-peak", ["peak-current"]),
        ("current", ["peak-current"]),
        ("peak-current-in-a", ["peak-current"]),
        ("speed-dips", ["speed-dip"]),
        ("zzz", []),
        ("at", []),
    ],
)
def test_what_was_probably_meant(written: str, meant: list[str]) -> None:
    assert alike(written, STALL) == meant


def test_too_many_are_no_suggestion() -> None:
    assert alike("speed", [f"speed-{n}" for n in range(MOST)]) == ["speed-0", "speed-1", "speed-2"]
    assert alike("reported", [f"reported-{n}{n}{n}{n}{n}{n}" for n in range(MOST + 1)]) == []


@given(st.text("abcde-", max_size=12), NAMES)
def test_what_is_suggested_is_known_and_few(written: str, names: list[str]) -> None:
    found = alike(written, names)
    assert set(found) <= set(names)
    assert len(found) <= MOST
    if written in names and len(written) >= 3 and found:
        assert written in found or any(name.startswith(written) for name in found)


@given(st.text("abcde-", max_size=12), NAMES)
def test_in_words_it_is_a_suggestion_or_the_whole_list(written: str, names: list[str]) -> None:
    said = nearest(written, names)
    if not names:
        assert said == ""
    elif alike(written, names):
        assert said.startswith("; did you mean '")
        assert said.endswith("?")
    else:
        assert said == f"; known are {', '.join(sorted(set(names)))}"
