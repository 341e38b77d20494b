"""Budgets of uncertainties as the report prints them."""

from __future__ import annotations

import pytest

from hil.core.band import Band, Rule
from hil.core.budget import ACCURACY, NOISE, Contribution, Shape
from hil.core.measure import Measure, Outcome
from hil.report.budgets import budget_rows, made_of
from hil.verdicts.decide import judge

PARTS = (
    Contribution(NOISE, 0.3, freedom=9.0),
    Contribution(ACCURACY, 0.4, Shape.RECTANGULAR),
)
RIPPLE = Measure("ripple", "%", 5.0, 0.5, 0.1, contributions=PARTS, freedom=69.4)
BAND = Band("ripple", None, 6.0, "%", Rule.GUARDED, risk=0.05)


def test_a_row() -> None:
    (row,) = budget_rows([(RIPPLE, 1, judge(BAND, RIPPLE))])
    assert (row.measure, row.uncertainty, row.freedom) == ("ripple", "0.5000 %", "69")
    assert (
        row.made_of == "instrument accuracy 0.40 (rectangular), noise 0.30 (9 degrees of freedom)"
    )
    assert row.rule == "guarded, risk 5 %"
    assert row.consumer == "2.5 %"
    assert row.producer == "97.5 %"
    assert row.interval.startswith("± 1.0")
    assert "(k = 2.01)" in row.interval


def test_a_measure_without_a_band_or_contributions() -> None:
    """Records of earlier versions have none."""
    (row,) = budget_rows([(Measure("ripple", "%", 5.0, 0.5), 0, None)])
    assert (row.interval, row.made_of, row.rule, row.consumer) == ("\u2013",) * 4
    assert row.freedom == "unlimited"


def test_counts_and_absent_measures_have_no_budget() -> None:
    absent = Measure.absent("ripple", "%", Outcome.MISSING_DATA, "a gap")
    assert budget_rows([(absent, 1, None), (Measure("tripped", "1", 1.0, 0.0), 1, None)]) == ()


@pytest.mark.parametrize("order", [1, -1])
def test_of_repetitions_the_nearest_to_its_limit_is_shown(order: int) -> None:
    far = Measure("ripple", "%", 1.0, 0.25, contributions=PARTS)
    found = [(m, n, judge(BAND, m)) for n, m in enumerate([RIPPLE, far], 1)][::order]
    (row,) = budget_rows(found)
    assert row.uncertainty == "0.5000 %"


def test_the_largest_contribution_comes_first() -> None:
    assert made_of(PARTS[::-1]) == made_of(PARTS)
    assert made_of(()) == ""
