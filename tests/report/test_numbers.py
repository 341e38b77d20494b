from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.report.numbers import (
    NOTHING,
    fixed,
    in_unit,
    lasting,
    limits,
    margin,
    measured,
    plain,
    share,
)


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "says"),
    [
        (1.2034, 0.0021, "s", "1.2034 ± 0.0042 s"),
        (3.7123, 0.05, "A", "3.71 ± 0.10 A"),
        (2012.34, 7.3, "rpm", "2012 ± 15 rpm"),
        (2012.34, 73.0, "rpm", "2010 ± 150 rpm"),
        (-0.00004, 0.0012, "V", "0.0000 ± 0.0024 V"),
        (5.0, None, "deg", "5 deg"),
        (0.95, 0.0, "1", "0.95"),
        (0.0, 0.5, "%", "0.0 ± 1.0 %"),
    ],
)
def test_value_and_expanded_uncertainty_share_their_last_place(
    value: float, uncertainty: float | None, unit: str, says: str
) -> None:
    # Two digits of uncertainty, the value to the same place: JCGM 100:2008, 7.2.6.
    assert measured(Measure("m", unit, value, uncertainty)) == says


def test_a_missing_value_says_why() -> None:
    never = Measure.absent("m", "s", Outcome.NEVER_REACHED, "stuck at 310 rpm")
    assert measured(never) == "never reached: stuck at 310 rpm"
    assert measured(Measure.absent("m", "s", Outcome.MISSING_DATA, "")) == "missing data"


@given(st.floats(-1e300, 1e300), st.integers(1, 8))
def test_rounding_keeps_the_digits_it_promises(value: float, digits: int) -> None:
    shown = float(plain(value, digits))
    assert shown == pytest.approx(value, rel=0.51 * 10.0 ** (1 - digits), abs=5e-324)


@given(
    st.floats(-1e9, 1e9),
    st.floats(1e-9, 1e6),
)
def test_what_is_shown_lies_within_the_uncertainty(value: float, uncertainty: float) -> None:
    words = measured(Measure("m", "V", value, uncertainty)).split()
    assert abs(float(words[0]) - value) <= 0.1 * uncertainty + 1e-9 * abs(value)
    assert float(words[2]) == pytest.approx(2.0 * uncertainty, rel=0.06)


def test_whole_digits_are_never_rounded_away() -> None:
    assert plain(123456.7) == "123457"
    assert plain(0.0) == "0"
    assert plain(1.0) == "1"
    assert plain(1.25) == "1.250"
    assert plain(1.5e-7) == "1.500e-07"
    assert fixed(-0.0001, 2) == "0.00"
    assert plain(math.inf) == "inf"


def test_a_band_of_one_value_is_not_told_as_a_range() -> None:
    assert limits(Band("m", 1.0, 1.0, "1")) == "exactly 1"
    assert limits(Band("m", 0.5, 1.0, "V")) == "0.5 to 1 V"
    assert limits(Band("m", None, 1.0, "V")) == "at most 1 V"


def test_margins_have_a_sign() -> None:
    assert margin(0.29664, "s") == "+0.297 s"
    assert margin(-0.2123, "A") == "-0.212 A"
    assert margin(0.0, "A") == "0 A"
    assert margin(None, "A") == NOTHING


def test_units_of_plain_numbers_are_not_printed() -> None:
    assert in_unit(2.0, "1") == "2"
    assert in_unit(2.0, "V") == "2 V"
    assert in_unit(None, "V") == NOTHING


@pytest.mark.parametrize(
    ("probability", "says"),
    [(None, NOTHING), (1.0, "over 99.9 %"), (0.0, "under 0.1 %"), (0.9773, "97.7 %")],
)
def test_a_probability_never_claims_certainty(probability: float | None, says: str) -> None:
    assert share(probability) == says


@pytest.mark.parametrize(
    ("seconds", "says"),
    [
        (0.0, "0.0 s"),
        (59.94, "59.9 s"),
        (60.0, "1 min 00 s"),
        (245.0, "4 min 05 s"),
        (3599.7, "1 h 00 min"),
        (7620.0, "2 h 07 min"),
    ],
)
def test_durations(seconds: float, says: str) -> None:
    assert lasting(seconds) == says
