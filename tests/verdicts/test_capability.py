from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.verdicts.capability import capability, capability_of
from hil.verdicts.summary import Summary

spread = st.lists(st.floats(-10, 10), min_size=4, max_size=40).filter(lambda v: np.std(v) > 0.1)


def test_indices_of_the_handbook():
    # NIST e-Handbook 6.1.6: USL 20, LSL 8, mean 16, s 2 (document and computed).
    found = capability_of(Summary(50, 16.0, 2.0, 0.0), 8.0, 20.0)
    assert found.cp.value == pytest.approx(1.0)
    assert found.off_centre == pytest.approx(0.3333, abs=5e-5)
    assert found.cpk.value == pytest.approx(0.6667, abs=5e-5)
    assert found.cpu.value == pytest.approx(0.6667, abs=5e-5)
    assert found.cpl.value == pytest.approx(1.3333, abs=5e-5)


def test_interval_of_cp_by_its_formula():
    # chi2 quantiles of 49 degrees of freedom: 31.5549 and 70.2224 (table, from memory).
    found = capability_of(Summary(50, 16.0, 2.0, 0.0), 8.0, 20.0).cp
    assert found.low == pytest.approx(math.sqrt(31.5549 / 49), abs=1e-5)
    assert found.high == pytest.approx(math.sqrt(70.2224 / 49), abs=1e-5)


def test_interval_of_cpk_by_its_formula():
    # Cpk ± z sqrt(1/(9 n) + Cpk^2/(2 (n - 1))), NIST e-Handbook 6.1.6.
    found = capability_of(Summary(50, 16.0, 2.0, 0.0), 8.0, 20.0).cpk
    reach = 1.959964 * math.sqrt(1 / 450 + (2 / 3) ** 2 / 98)
    assert found.high - found.value == pytest.approx(reach, abs=1e-6)
    assert found.value - found.low == pytest.approx(reach, abs=1e-6)


@given(spread, st.floats(1, 50), st.floats(1, 50))
def test_cpk_is_cp_less_its_offset(values, below, above):
    low, high = min(values) - below, max(values) + above
    found = capability(values, low, high)
    assert found.cpk.value == pytest.approx(found.cp.value * (1.0 - found.off_centre), abs=1e-9)
    assert found.cp.value == pytest.approx(0.5 * (found.cpu.value + found.cpl.value), abs=1e-9)


@settings(deadline=None)
@given(spread, st.floats(0.1, 1000), st.floats(-1000, 1000))
def test_indices_have_no_unit(values, scale, offset):
    before = capability(values, -20.0, 30.0)
    moved = [scale * v + offset for v in values]
    after = capability(moved, -20.0 * scale + offset, 30.0 * scale + offset)
    for name in ("cp", "cpu", "cpl", "cpk"):
        a, b = getattr(before, name), getattr(after, name)
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=1e-4)


@settings(deadline=None)
@given(spread)
def test_mirroring_swaps_the_sides(values):
    before, after = capability(values, -20.0, 30.0), capability([-v for v in values], -30.0, 20.0)
    assert after.cpu.value == pytest.approx(before.cpl.value)
    assert after.cpl.low == pytest.approx(before.cpu.low, rel=1e-6)


def test_a_single_limit():
    upper, lower = capability([1.0, 2.0, 3.0], None, 8.0), capability([1.0, 2.0, 3.0], -4.0, None)
    assert (upper.cp, upper.cpl, upper.off_centre) == (None, None, None)
    assert upper.cpk == upper.cpu
    assert lower.cpk == lower.cpl
    assert upper.cpk.value == lower.cpk.value == 2.0


def test_intervals_hold_the_true_index_in_as_many_samples_as_stated():
    rng = np.random.default_rng(5)
    runs, count = 1500, 15
    held = {"cp": 0, "cpu": 0, "cpk": 0}
    # True mean 0, sigma 1, limits -4 and 3: Cp 7/6, Cpu 1, Cpk 1.
    truth = {"cp": 7 / 6, "cpu": 1.0, "cpk": 1.0}
    for _ in range(runs):
        found = capability(rng.standard_normal(count), -4.0, 3.0, 0.90)
        for name, true in truth.items():
            index = getattr(found, name)
            held[name] += index.low <= true <= index.high
    error = 4.0 * math.sqrt(0.9 * 0.1 / runs)
    assert held["cp"] / runs == pytest.approx(0.90, abs=error)  # exact
    assert held["cpu"] / runs == pytest.approx(0.90, abs=error)  # exact
    assert held["cpk"] / runs == pytest.approx(0.90, abs=error + 0.03)  # approximate


def test_more_confidence_is_wider():
    sample = Summary(20, 0.0, 1.0, 0.0)
    narrow, wide = (capability_of(sample, -3.0, 3.0, level) for level in (0.8, 0.99))
    for name in ("cp", "cpu", "cpk"):
        assert getattr(wide, name).low < getattr(narrow, name).low
        assert getattr(wide, name).high > getattr(narrow, name).high


def test_a_mean_outside_the_limits_has_a_negative_index():
    assert capability([9.0, 10.0, 11.0], 0.0, 8.0).cpk.value < 0.0


def test_it_prints():
    assert str(capability_of(Summary(50, 16.0, 2.0, 0.0), 8.0, 20.0).cp) == "1.00 (0.80 to 1.20)"


@pytest.mark.parametrize(
    ("values", "low", "high", "match"),
    [
        ([1.0], 0.0, 2.0, "at least 2"),
        ([1.0, 1.0], 0.0, 2.0, "spread"),
        ([1.0, 2.0], None, None, "needs a limit"),
        ([1.0, 2.0], 3.0, 3.0, "in order"),
        ([1.0, math.nan], 0.0, 3.0, "finite"),
    ],
)
def test_no_capability(values, low, high, match):
    with pytest.raises(ValueError, match=match):
        capability(values, low, high)


def test_no_confidence():
    with pytest.raises(ValueError, match="confidence"):
        capability([1.0, 2.0], 0.0, 3.0, 1.0)
