"""Certified values of the NIST Statistical Reference Datasets, univariate summary statistics."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.verdicts.summary import checked, summarise

values = st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40)

MICHELSO = """
299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65
299.76 299.81 300.00 300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88
299.90 299.84 299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88
299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95 299.88 299.91 299.85 299.87 299.84 299.84
299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76
299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81
299.76 299.81 299.79 299.81 299.82 299.85 299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80
299.81 299.87
"""
LOTTERY = """
162 671 933 414 788 730 817 33 536 875 670 236 473 167 877 980 316 950 456 92 517 557 956 954 104
178 794 278 147 773 437 435 502 610 582 780 689 562 964 791 28 97 848 281 858 538 660 972 671 613
867 448 738 966 139 636 847 659 754 243 122 455 195 968 793 59 730 361 574 522 97 762 431 158 429
414 22 629 788 999 187 215 810 782 47 34 108 986 25 644 829 630 315 567 919 331 207 412 242 607 668
944 749 168 864 442 533 805 372 63 458 777 416 340 436 140 919 350 510 572 905 900 85 389 473 758
444 169 625 692 140 897 672 288 312 860 724 226 884 508 976 741 476 417 831 15 318 432 241 114 799
955 833 358 935 146 630 830 440 642 356 373 271 715 367 393 190 669 8 861 108 795 269 590 326 866 64
523 862 840 219 382 998 4 628 305 747 247 34 747 729 645 856 974 24 568 24 694 608 480 410 729 947
293 53 930 223 203 677 227 62 455 387 318 562 242 428 968
"""
#: Typed from memory; the three certified figures below vouch for it.
LEW = """
-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579 -52 99
-543 -175 162 -457 -346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374 201 -236 -531 83
27 -564 -112 131 -507 -254 199 -311 -495 143 -46 -579 -90 136 -472 -338 202 -287 -477 169 -124 -568
17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92 -534 -243 194 -355 -465 156 -81 -578 -64 139 -449
-384 193 -198 -538 110 -44 -577 -6 66 -552 -164 161 -460 -344 205 -281 -504 134 -28 -576 -118 156
-437 -381 200 -220 -540 83 11 -568 -160 172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504
142 -83 -574 0 48 -571 -106 137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280
201 300 -506 131 -45 -578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147
-566 25 68 -535 -244 194 -351 -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96
"""


def numbers(text: str) -> list[float]:
    return [float(word) for word in text.split()]


@pytest.mark.parametrize(
    ("data", "mean", "deviation", "lag"),
    [
        # All: NIST StRD univariate, certified (document, and reproduced by exact arithmetic).
        pytest.param(
            numbers(MICHELSO), 299.852400000000, 0.0790105478190518, 0.535199668621283,
            id="Michelso",
        ),
        pytest.param(
            numbers(LOTTERY), 518.958715596330, 291.699727470969, -0.120948622967393, id="Lottery"
        ),
        pytest.param(
            numbers(LEW), -177.435000000000, 277.332168044316, -0.307304800605679, id="Lew"
        ),
        pytest.param([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0, -0.5, id="NumAcc1"),
        pytest.param([1.2, *[1.1, 1.3] * 500], 1.2, 0.1, -0.999, id="NumAcc2"),
    ],
)  # fmt: skip
def test_certified(data, mean, deviation, lag):
    found = summarise(data)
    assert found.count == len(data)
    assert found.mean == pytest.approx(mean, rel=1e-12)
    assert found.deviation == pytest.approx(deviation, rel=1e-12)
    assert found.lag_one == pytest.approx(lag, rel=1e-12)


def test_certified_under_a_large_offset():
    # NIST StRD NumAcc4: the data themselves carry about eight digits of the spread.
    found = summarise([10000000.2, *[10000000.1, 10000000.3] * 500])
    assert found.mean == pytest.approx(10000000.2, rel=1e-14)
    assert found.deviation == pytest.approx(0.1, rel=1e-7)
    assert found.lag_one == pytest.approx(-0.999, rel=1e-7)


@given(values)
def test_it_agrees_with_numpy(data):
    found = summarise(data)
    scale = max(1.0, float(np.max(np.abs(data))))
    assert found.mean == pytest.approx(float(np.mean(data)), abs=1e-12 * scale)
    assert found.deviation == pytest.approx(float(np.std(data, ddof=1)), abs=1e-9 * scale)


@given(values, st.floats(-1e6, 1e6))
def test_an_offset_moves_the_mean_alone(data, offset):
    before, after = summarise(data), summarise([value + offset for value in data])
    scale = max(1.0, abs(offset), *map(abs, data))
    assert after.mean == pytest.approx(before.mean + offset, abs=1e-9 * scale)
    assert after.deviation == pytest.approx(before.deviation, abs=1e-9 * scale)


@given(values, st.sampled_from([-8.0, -0.5, 0.25, 2.0, 1024.0]))
def test_scale_equivariance(data, factor):
    before, after = summarise(data), summarise([value * factor for value in data])
    assert after.mean == pytest.approx(before.mean * factor, rel=1e-12, abs=1e-300)
    assert after.deviation == pytest.approx(before.deviation * abs(factor), rel=1e-9, abs=1e-300)


@given(values)
def test_lag_one_is_a_correlation(data):
    assert -1.0 <= summarise(data).lag_one <= 1.0


def test_lag_one_by_its_definition():
    data = [3.0, 1.0, 4.0, 1.0, 5.0, 9.0]
    mean = sum(data) / 6
    rest = [value - mean for value in data]
    expected = sum(a * b for a, b in pairwise(rest)) / sum(a * a for a in rest)
    assert summarise(data).lag_one == pytest.approx(expected)


def test_one_value_and_equal_values_have_no_spread():
    assert summarise([4.0]).deviation == 0.0
    found = summarise([0.1] * 10)
    assert (found.mean, found.deviation, found.lag_one) == (0.1, 0.0, 0.0)


@pytest.mark.parametrize("bad", [[], [1.0, math.nan], [math.inf], [[1.0, 2.0]]])
def test_what_is_no_sample(bad):
    with pytest.raises(ValueError, match=r"at least|finite"):
        summarise(bad)
    with pytest.raises(ValueError, match="at least 3"):
        checked([1.0, 2.0], least=3)
