from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from hil.verdicts.roots import root


@given(st.floats(-50.0, 50.0), st.sampled_from([-1.0, 1.0]), st.sampled_from([1e-3, 1e-9]))
def test_a_root_is_found_to_what_was_asked(place, sign, within):
    found = root(lambda x: sign * math.sinh((x - place) / 20.0), -60.0, 60.0, within)
    assert found == pytest.approx(place, abs=within)


def test_it_is_the_root_that_a_library_finds():
    def function(x: float) -> float:
        return math.exp(-x) - 0.3 * x

    assert root(function, 0.0, 5.0, 1e-12) == pytest.approx(brentq(function, 0.0, 5.0), abs=1e-11)


def test_ends_may_be_roots_and_accuracy_ends_with_the_numbers():
    assert root(lambda x: x, 0.0, 4.0, 1e-9) == pytest.approx(0.0, abs=1e-9)
    assert root(lambda x: x - 4.0, 0.0, 4.0, 1e-9) == pytest.approx(4.0, abs=1e-9)
    assert root(lambda x: x - 1e16, 0.0, 4e16, 1e-9) == pytest.approx(1e16, rel=1e-15)


@pytest.mark.parametrize(
    ("ends", "within"), [((1.0, 2.0), 1e-6), ((-1.0, 1.0), 0.0), ((-1.0, 1.0), -1.0)]
)
def test_no_root_is_told(ends, within):
    with pytest.raises(ValueError, match="no root"):
        root(lambda x: x, *ends, within)


def test_what_is_no_number_has_no_root():
    with pytest.raises(ValueError, match="no root"):
        root(lambda _x: math.nan, 0.0, 1.0, 1e-6)
