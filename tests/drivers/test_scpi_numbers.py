"""Numbers as SCPI instruments write them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.scpi_numbers import parse_number, parse_numbers, parse_pattern


# Q16: SCPI-1999 vol. 1, 7.2.1.4-5; trust V-D (found in a document) for 9.9E37 and 9.91E37, the
# minus sign of the negative one is stated from memory there.
@pytest.mark.parametrize("text", ["9.9E37", "9.9E+37", "+9.900000E+37", "9.90000000E37"])
def test_infinity(text):
    assert parse_number(text) == math.inf
    assert parse_number("-" + text.lstrip("+")) == -math.inf


@pytest.mark.parametrize("text", ["9.91E37", "9.91E+37", "+9.910000E+37", "NAN"])
def test_not_a_number(text):
    assert math.isnan(parse_number(text))


def test_a_large_number_that_is_neither():
    assert parse_number("9.95E37") == 9.95e37
    assert parse_number("1E38") == 1e38


@pytest.mark.parametrize(
    ("text", "value"),
    [("273", 273.0), (".273", 0.273), ("2.73E+2", 273.0), ("+1.5", 1.5), (" -0.5\t", -0.5)],
)
def test_response_forms(text, value):
    # Q15: NR1, NR2, NR3 (IEEE 488.2 8.7.2-8.7.4, section numbers from memory)
    assert parse_number(text) == value


@pytest.mark.parametrize("text", ["", "  ", "12 V", "1,2", "1_000", "on"])
def test_what_is_no_number(text):
    with pytest.raises(ValueError, match="could not convert"):
        parse_number(text)


@given(st.integers(0, 1 << 64))
def test_a_pattern_of_bits_in_every_form(value):
    for text in (f"{value}", f"+{value}", f"#H{value:X}", f"#h{value:x}", f" #Q{value:o} "):
        assert parse_pattern(text) == value
    assert parse_pattern(f"#B{value:b}") == value


@pytest.mark.parametrize("text", ["", "-1", "1.0", "1e3", "#H", "#B2", "#Q8", "#X1", "A", "1_0"])
def test_what_is_no_pattern(text):
    with pytest.raises(ValueError, match=r"not a whole number|invalid literal"):
        parse_pattern(text)


def test_arrays():
    found = parse_numbers("0.001, 12.5,-3.0E3,9.91E37,9.9E37,-9.9E37")
    np.testing.assert_array_equal(found, [0.001, 12.5, -3000.0, math.nan, math.inf, -math.inf])
    for text in ("1,,2", "1,2,", "1,x", "1_0,2"):
        with pytest.raises(ValueError, match="could not convert"):
            parse_numbers(text)


@settings(deadline=None)
@given(st.lists(st.floats(-1e30, 1e30), min_size=1, max_size=30))
def test_any_array_survives(values):
    assert parse_numbers(",".join(map(repr, values))).tolist() == values
