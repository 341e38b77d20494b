from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nct
from scipy.stats import t as student

from hil.verdicts.noncentral import noncentral_t, noncentral_t_quantile, noncentrality

freedoms = st.integers(1, 300)


@pytest.mark.parametrize("freedom", [1, 2, 5, 19, 200])
@pytest.mark.parametrize("value", [-3.0, 0.0, 0.7, 4.0])
def test_without_offset_it_is_students(freedom, value):
    assert noncentral_t(value, freedom, 0.0) == pytest.approx(student.cdf(value, freedom), abs=1e-9)


@pytest.mark.parametrize(("freedom", "offset"), [(3, 1.0), (9, 5.2), (42, 8.4), (99, 16.0)])
def test_against_scipy_where_that_answers(freedom, offset):
    for value in (0.5 * offset, offset, 1.5 * offset):
        expected = nct.cdf(value, freedom, offset)
        assert noncentral_t(value, freedom, offset) == pytest.approx(expected, abs=1e-8)


def test_far_out_it_still_answers():
    # The general-purpose routine gives NaN in places like this; the truth is next to nothing.
    assert noncentral_t(-40.0, 14, 30.0) == pytest.approx(0.0, abs=1e-12)
    assert noncentral_t(13.0, 14, -13.9) == pytest.approx(1.0, abs=1e-9)


@settings(deadline=None, max_examples=50)
@given(freedoms, st.floats(-30, 30), st.floats(0.001, 0.999))
def test_quantile_and_offset_invert_it(freedom, offset, share):
    value = noncentral_t_quantile(share, freedom, offset)
    assert noncentral_t(value, freedom, offset) == pytest.approx(share, abs=1e-7)
    back = noncentrality(value, freedom, share)
    assert noncentral_t(value, freedom, back) == pytest.approx(share, abs=1e-7)


@given(freedoms, st.floats(-20, 20), st.floats(-20, 20), st.floats(0.01, 5))
def test_it_grows_with_the_value_and_falls_with_the_offset(freedom, value, offset, more):
    here = noncentral_t(value, freedom, offset)
    assert 0.0 <= here <= 1.0 + 1e-12
    assert noncentral_t(value + more, freedom, offset) >= here - 1e-12
    assert noncentral_t(value, freedom, offset + more) <= here + 1e-12


@given(freedoms, st.floats(-20, 20), st.floats(-20, 20))
def test_mirror(freedom, value, offset):
    both = noncentral_t(value, freedom, offset) + noncentral_t(-value, freedom, -offset)
    assert both == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("share", [0.0, 1.0, math.nan])
def test_no_share(share):
    with pytest.raises(ValueError, match="between 0 and 1"):
        noncentral_t_quantile(share, 5, 0.0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        noncentrality(1.0, 5, share)
