from __future__ import annotations

import base64

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from hil.report.thin import packed


@given(values=hnp.arrays(np.float64, st.integers(0, 50), elements=st.floats(-5.0, 20.0)))
def test_packed_numbers_are_good_to_a_65000th_of_the_range(values: np.ndarray) -> None:
    steps = np.frombuffer(base64.b64decode(packed(values, -5.0, 20.0)), dtype="<u2")
    np.testing.assert_allclose(-5.0 + steps / 65000 * 25.0, values, atol=25.0 / 65000 / 1.99)


def test_what_has_no_value_is_told_apart() -> None:
    text = packed(np.array([np.nan, 0.0, 1.0, np.inf]), 0.0, 1.0)
    assert np.frombuffer(base64.b64decode(text), dtype="<u2").tolist() == [65535, 0, 65000, 65535]


def test_a_range_of_no_width_is_no_division_by_zero() -> None:
    text = packed(np.array([3.0]), 3.0, 3.0)
    assert np.frombuffer(base64.b64decode(text), dtype="<u2").tolist() == [0]
