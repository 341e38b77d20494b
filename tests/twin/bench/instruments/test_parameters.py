"""Numbers, words, booleans, channel lists, and the form of replies."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.twin.instruments.parameters import (
    boolean,
    channel_list,
    decimal,
    integer,
    limit,
    number,
    parse_number,
)
from hil.twin.scpi import ScpiError


def code_of(convert, text: str) -> int:
    with pytest.raises(ScpiError) as caught:
        convert(text)
    return caught.value.code


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # Q15 (V-D): NR1, NR2, NR3 and any of them on input
        ("273", 273.0),
        ("+273", 273.0),
        (".273", 0.273),
        ("0.273", 0.273),
        ("273.", 273.0),
        ("2.73E+2", 273.0),
        ("2.73e2", 273.0),
        ("-2.73 E -2", -0.0273),
        ("#H1f", 31.0),
        ("#q17", 15.0),
        ("#B101", 5.0),
    ],
)
def test_numbers(text: str, value: float) -> None:
    assert parse_number(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "value"),
    [("24V", 24.0), ("24 v", 24.0), ("2400 MV", 2.4), ("0.024KV", 24.0), ("1E6uV", 1.0)],
)
def test_units(text: str, value: float) -> None:
    # Q22 (V-D): suffixes are optional; here they are understood
    assert parse_number(text, "V") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "code"),
    [
        # Q8 (V-D): numbers of the command errors
        ("24 A", "V", -131),
        ("24 XV", "V", -131),
        ("24 V", "", -138),
        ("5E", "V", -131),
        ("1E32001", "", -123),
        ("1E-99999999", "", -123),
        ("1" * 256, "", -124),
        ("--1", "", -121),
        (".", "", -121),
        ("+", "", -121),
        ("#H", "", -121),
        ("#H-1", "", -121),
        ("#H1_0", "", -121),
        ("#B2", "", -121),
        ("#Q8", "", -121),
        ("#X1", "", -121),
        ("ABC", "", -141),
        ("'24'", "", -158),
        ("(@1)", "", -178),
        ("#11a", "", -168),
        ("", "", -109),
    ],
)
def test_what_is_not_a_number(text: str, unit: str, code: int) -> None:
    assert code_of(lambda t: parse_number(t, unit), text) == code


def test_number_with_limits_and_words() -> None:
    convert = number(0.0, 60.0, "V", default=12.0)
    assert [convert(word) for word in ("MIN", "maximum", "Max", "DEF", "default")] == [
        0.0,
        60.0,
        60.0,
        12.0,
        12.0,
    ]
    # Q9 (V-D): -222 data out of range
    for text in ("60.001", "-0.001", "61V", "INF", "NINF", "INFINITY", "NAN", "1E300", "1E32000"):
        assert code_of(convert, text) == -222
    assert code_of(number(0.0, 1.0), "DEF") == -141
    assert code_of(convert, "MAXI") == -141  # between short and long form


def test_integers_round() -> None:
    convert = integer(0, 255)
    assert [convert(text) for text in ("0", "255", "31.4", "3.15E1", "#HFF")] == [
        0,
        255,
        31,
        32,
        255,
    ]
    assert code_of(convert, "256") == -222
    assert code_of(convert, "-1") == -222


@pytest.mark.parametrize(
    ("text", "value"),
    [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("-7", True)],
)
def test_booleans(text: str, value: bool) -> None:
    # Q20 (V-D): ON, OFF, 1 or 0
    assert boolean(text) is value


def test_booleans_refuse_other_words() -> None:
    assert code_of(boolean, "TRUE") == -141
    assert code_of(boolean, "'ON'") == -158


def test_limits_of_a_query() -> None:
    convert = limit(1.0, 3.0, 2.0)
    assert [convert(text) for text in ("MIN", "DEF", "MAXIMUM")] == [1.0, 2.0, 3.0]
    assert code_of(convert, "3") == -128
    assert code_of(convert, "'MIN'") == -158
    assert code_of(convert, "LOW") == -141


@pytest.mark.parametrize(
    ("text", "channels"),
    [
        ("(@1)", (1,)),
        ("(@ 1 , 3 )", (1, 3)),
        ("(@2:4)", (2, 3, 4)),
        ("(@4:2,6)", (4, 3, 2, 6)),
        ("( @1,1)", (1, 1)),
    ],
)
def test_channel_lists(text: str, channels: tuple[int, ...]) -> None:
    assert channel_list(1, 6)(text) == channels


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("(@7)", -222),
        ("(@0)", -222),
        ("(@1:7)", -222),
        ("(@)", -171),
        ("(@1,)", -171),
        ("(@1:2:3)", -171),
        ("(@1:999999999)", -171),
        ("(@A)", -171),
        ("1", -104),
        ("(1)", -104),
    ],
)
def test_bad_channel_lists(text: str, code: int) -> None:
    assert code_of(channel_list(1, 6), text) == code


def test_replies_are_nr3_with_the_standard_infinities() -> None:
    # Q15 (V-D): NR3 has an explicit point and exponent; Q16 (V-D): 9.9E37, 9.91E37
    assert decimal(24.0) == "2.400000E+01"
    assert decimal(-0.001) == "-1.000000E-03"
    assert float(decimal(math.nan)) == 9.91e37
    assert float(decimal(-math.inf)) == -9.9e37
    assert float(decimal(math.inf)) == 9.9e37


@given(st.floats(-1e9, 1e9))
def test_replies_can_be_read_back(value: float) -> None:
    text = decimal(value)
    assert re.fullmatch(r"-?\d\.\d+E[+-]\d+", text)
    assert parse_number(text) == pytest.approx(value, rel=1e-6, abs=1e-300)
