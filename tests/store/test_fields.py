"""Dataclasses to JSON data and back, on types that records do not have all of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.store.fields import Mismatch, reader, writer


class Colour(StrEnum):
    RED = "red"
    BLUE = "blue"


@dataclass(frozen=True)
class Inner:
    number: float
    colour: Colour = Colour.RED

    def __post_init__(self) -> None:
        if self.number < 0.0:
            raise ValueError("below zero")


@dataclass(frozen=True)
class Outer:
    text: str
    whole: int
    truth: bool
    maybe: Inner | None = None
    many: tuple[Inner, ...] = ()
    named: Mapping[str, Inner] = field(default_factory=dict)


inner = st.builds(Inner, st.floats(0.0, allow_infinity=False), st.sampled_from(Colour))
outer = st.builds(
    Outer,
    st.text(),
    st.integers(),
    st.booleans(),
    st.none() | inner,
    st.lists(inner, max_size=3).map(tuple),
    st.dictionaries(st.text(), inner, max_size=3),
)
#: Anything that JSON can hold.
json_data: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda part: st.lists(part, max_size=3) | st.dictionaries(st.text(), part, max_size=3),
    max_leaves=8,
)
GOOD = {"text": "t", "whole": 1, "truth": True}


def read(data: Any) -> tuple[Outer | None, str]:
    try:
        return reader(Outer)(data), ""
    except Mismatch as problem:
        return None, str(problem)


@given(outer)
def test_what_was_written_is_read_back_equal(value: Outer) -> None:
    assert reader(Outer)(writer(Outer)(value)) == value


@given(json_data)
def test_any_data_gives_a_value_or_a_mismatch(data: Any) -> None:
    value, problem = read(data)
    assert (value is None) is bool(problem)


@given(st.sampled_from([*GOOD, "maybe", "many", "named"]), json_data)
def test_a_field_of_any_data_gives_a_value_that_is_written_as_it_was_or_names_the_field(
    name: str, data: Any
) -> None:
    value, problem = read({**GOOD, name: data})
    if value is None:
        assert problem.startswith(name)
    else:
        assert reader(Outer)({**GOOD, name: writer(Outer)(value)[name]}) == value


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ({**GOOD, "many": [{"number": 1.0}, {"number": "x"}]}, "many[1].number: expected float"),
        ({**GOOD, "named": {"a": {"number": 1.0, "colour": "green"}}}, "named.a.colour: expected "),
        ({**GOOD, "maybe": {"number": -1.0}}, "maybe: below zero"),
        ({**GOOD, "maybe": {}}, "maybe: field 'number' is missing"),
        ({**GOOD, "many": [{"number": 1.0, "size": 2}]}, "many[0]: unknown field 'size'"),
        ({**GOOD, "many": {}}, "many: expected a list, found dict"),
        ({**GOOD, "maybe": [1]}, "maybe: expected an object, found list"),
        ({**GOOD, "whole": 1.0}, "whole: expected int, found 1.0"),
        ({**GOOD, "truth": 1}, "truth: expected bool, found 1"),
        ({"text": "t", "whole": 2}, "field 'truth' is missing"),
        ([], "expected an object, found list"),
    ],
)
def test_the_path_to_what_is_wrong_is_told(data: Any, message: str) -> None:
    with pytest.raises(Mismatch) as told:
        reader(Outer)(data)
    assert str(told.value).startswith(message)


def test_writing_tells_the_path_too() -> None:
    wrong = Outer("t", 1, True, named={"a": Inner(1.0, "green")})  # type: ignore[arg-type]
    with pytest.raises(Mismatch, match=r"named\.a\.colour: expected one of 'red', 'blue'"):
        writer(Outer)(wrong)


def test_numpy_numbers_become_plain_ones() -> None:
    written = writer(Outer)(Outer("t", np.int64(3), True, Inner(np.float64(2.5))))  # type: ignore[arg-type]
    assert type(written["whole"]) is int
    assert type(written["maybe"]["number"]) is float
