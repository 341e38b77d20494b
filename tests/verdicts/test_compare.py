from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.stats import ttest_ind

from hil.verdicts.compare import SMALL, Finding, Method, Pair, compare, compare_all

#: Annual flow of the Nile at Aswan, 1871 to 1970, 10^8 m^3 (Cobb 1978; typed from memory, vouched
#: for by its published mean and deviation).
NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180,
    799, 958, 1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833,
    701, 916, 692, 1020, 1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845,
    864, 862, 698, 845, 744, 796, 1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649,
    846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815,
    1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip
wide = st.lists(st.floats(-100, 100), min_size=SMALL, max_size=25).filter(lambda v: np.std(v) > 0.1)
small = st.lists(st.floats(-100, 100), min_size=2, max_size=SMALL - 1)


def test_the_change_in_the_flow_of_the_nile():
    # Split after observation 28 (1898): means 1097.75 and 849.9722, Welch t 8.414516, p 7.31e-11
    # (computed from the data set that a statistics library ships).
    assert np.mean(NILE) == pytest.approx(919.35)
    assert np.std(NILE, ddof=1) == pytest.approx(169.2275, abs=5e-5)
    found = compare(Pair("flow", NILE[:28], NILE[28:]))
    assert found.difference == pytest.approx(849.9722 - 1097.75, abs=1e-4)
    assert found.p == pytest.approx(7.31e-11, rel=1e-3)
    assert (found.method, found.finding) == (Method.WELCH, Finding.DIFFERENT)
    assert found.low < found.difference < found.high < 0.0


def test_few_values_are_compared_by_ranks():
    # scipy mannwhitneyu docstring: exact two-sided p 0.1111 (document and computed).
    found = compare(Pair("x", [19, 22, 16, 29, 24], [20, 11, 17, 12]))
    assert found.method is Method.RANKS
    assert found.p == pytest.approx(1.0 / 9.0, abs=1e-7)
    assert found.effect == pytest.approx(2 * 3 / 20 - 1)
    assert found.finding is Finding.OPEN


@given(wide, wide)
def test_welch_against_scipy(first, second):
    found = compare(Pair("x", first, second))
    expected = ttest_ind(first, second, equal_var=False)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-6, abs=1e-12)
    interval = expected.confidence_interval(0.95)
    assert (-found.high, -found.low) == pytest.approx((interval.low, interval.high), rel=1e-6)


@given(st.one_of(st.tuples(wide, wide), st.tuples(small, small)), st.floats(0.0, 50.0))
@example(([0.0, -5.833650698196134e-212], [1.0, 2.0]), 1.0)  # lost when 1 is taken off
def test_swapping_the_samples_changes_signs_alone(samples, minimum):
    there = compare(Pair("x", *samples, minimum))
    back = compare(Pair("x", *reversed(samples), minimum))
    assert (back.p, back.finding) == (pytest.approx(there.p, nan_ok=True), there.finding)
    assert (back.difference, back.low, back.high) == pytest.approx(
        (-there.difference, -there.high, -there.low)
    )
    assert back.effect == pytest.approx(-there.effect, nan_ok=True)


@given(st.one_of(st.tuples(wide, wide), st.tuples(small, small)), st.floats(-1e3, 1e3))
def test_a_common_offset_does_not_matter(samples, offset):
    there = compare(Pair("x", *samples), method=Method.WELCH)
    moved = compare(
        Pair("x", *([value + offset for value in part] for part in samples)), method=Method.WELCH
    )
    if math.isfinite(there.low) and there.high - there.low > 1e-3:
        assert moved.difference == pytest.approx(there.difference, abs=1e-6)
        assert moved.p == pytest.approx(there.p, rel=1e-3, abs=1e-9)


@given(st.one_of(st.tuples(wide, wide), st.tuples(small, small)))
def test_a_larger_smallest_size_makes_a_difference_harder_to_show(samples):
    found = [compare(Pair("x", *samples, minimum)).p for minimum in (0.0, 1.0, 10.0, 100.0)]
    if not math.isnan(found[0]):
        assert all(a <= b + 1e-12 for a, b in pairwise(found))


def test_three_findings():
    rng = np.random.default_rng(3)
    first = rng.normal(100.0, 1.0, 40)
    same, other = rng.normal(100.0, 1.0, 40), rng.normal(103.0, 1.0, 40)
    assert compare(Pair("x", first, same, 2.0)).finding is Finding.ALIKE
    assert compare(Pair("x", first, other, 2.0)).finding is Finding.DIFFERENT
    assert compare(Pair("x", first, other, 3.0)).finding is Finding.OPEN
    assert compare(Pair("x", first, other, 6.0)).finding is Finding.ALIKE
    assert compare(Pair("x", first, same)).finding is Finding.OPEN  # nothing is small enough
    assert compare(Pair("x", first[:5], other[:5], 1.0)).finding is Finding.DIFFERENT
    assert compare(Pair("x", first[:8], same[:8], 4.0)).finding is Finding.ALIKE
    assert compare(Pair("x", first[:2], other[:2])).finding is Finding.OPEN


@pytest.mark.parametrize(("count", "method"), [(6, Method.RANKS), (15, Method.WELCH)])
def test_errors_at_the_smallest_size_are_as_rare_as_stated(count, method):
    rng = np.random.default_rng(count)
    runs, minimum = 2000, 1.0
    false_change = false_likeness = 0
    for _ in range(runs):
        first, second = rng.standard_normal(count), rng.standard_normal(count) + minimum
        finding = compare(Pair("x", first, second, minimum)).finding
        false_change += finding is Finding.DIFFERENT
        false_likeness += finding is Finding.ALIKE
    error = 4.0 * math.sqrt(0.05 * 0.95 / runs)
    assert false_change / runs <= 0.05 + error
    assert false_likeness / runs <= 0.05 + error
    assert compare(Pair("x", range(count), range(count))).method is method


def test_resolution_stands_in_for_spread():
    quiet = Pair("x", [24.0] * 12, [24.1] * 12)
    found = compare(quiet)
    assert math.isnan(found.p)
    assert found.finding is Finding.OPEN
    found = compare(Pair("x", [24.0] * 12, [24.1] * 12, resolution=0.1))
    assert 0.0 < found.p < 0.01
    assert compare(Pair("x", [24.0] * 12, [24.1] * 12, 1.0, 0.1)).finding is Finding.ALIKE


def test_effect_is_a_difference_in_deviations():
    rng = np.random.default_rng(1)
    found = compare(Pair("x", rng.normal(0, 2, 4000), rng.normal(3, 2, 4000)))
    assert found.effect == pytest.approx(1.5, abs=0.06)


def test_a_family_is_judged_more_strictly_than_its_members():
    rng = np.random.default_rng(17)
    pairs = [
        Pair(str(i), rng.standard_normal(20), rng.standard_normal(20) + (i < 10)) for i in range(60)
    ]
    alone = [compare(pair) for pair in pairs]
    family = compare_all(pairs)
    assert [one.p for one in family] == [one.p for one in alone]
    assert all(one.adjusted >= one.p for one in family)
    found = {one.name for one in family if one.finding is Finding.DIFFERENT}
    assert found < {one.name for one in alone if one.finding is Finding.DIFFERENT}
    assert len(found & {str(i) for i in range(10)}) >= 5
    assert len(found - {str(i) for i in range(10)}) <= 1


def test_healthy_families_hardly_raise_an_alarm():
    rng = np.random.default_rng(23)
    alarms = 0
    for _ in range(100):
        pairs = [Pair("x", rng.exponential(size=12), rng.exponential(size=12)) for _ in range(20)]
        alarms += any(one.finding is Finding.DIFFERENT for one in compare_all(pairs))
    assert alarms <= 5 + 4 * math.sqrt(100 * 0.05 * 0.95)


def test_an_empty_family():
    assert compare_all([]) == ()


@pytest.mark.parametrize(
    ("pair", "match"),
    [
        (Pair("x", [1.0], [1.0, 2.0]), "at least 2"),
        (Pair("x", [1.0, math.nan], [1.0, 2.0]), "finite"),
        (Pair("x", [1.0, 2.0], [1.0, 2.0], -1.0), "not negative"),
        (Pair("x", [1.0, 2.0], [1.0, 2.0], 1.0, math.nan), "sizes"),
    ],
)
def test_no_comparison(pair, match):
    with pytest.raises(ValueError, match=match):
        compare(pair)
