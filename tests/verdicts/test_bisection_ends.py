"""Evidence that two ends differ: never more false alarms than stated, whatever the distribution."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.verdicts.bisection_ends import evidence, odds
from hil.verdicts.bisection_sides import Cells
from hil.verdicts.samples import lower_bound

NAN = float("nan")


def test_without_a_second_pair_there_is_no_evidence() -> None:
    assert evidence([], [], rate=False) == 1.0
    assert evidence([1.0], [5.0], rate=False) == 1.0
    assert evidence([1.0, 1.0, 1.0], [], rate=False) == 1.0


def test_a_pair_of_a_rate_by_hand() -> None:
    # After one pair (1 / 0) the forecasts of a 1 are (1 + 1/2) / 2 and (0 + 1/2) / 2.
    assert odds([1.0], Cells(None)) == pytest.approx([0.25, 0.75])
    assert evidence([1.0, 1.0], [0.0, 0.0], rate=True) == pytest.approx((2 * 0.75 / 1.0) ** 2)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
def test_the_expected_evidence_is_at_most_one_exactly(share: float) -> None:
    """All 2^10 histories of five pairs of one rate, each with its probability."""
    total = 0.0
    for runs in itertools.product((0.0, 1.0), repeat=10):
        chance = np.prod([share if run else 1.0 - share for run in runs])
        total += chance * evidence(runs[:5], runs[5:], rate=True)
    assert total <= 1.0 + 1e-12
    assert total > 0.3  # a bound that is never near would be worth little


@pytest.mark.parametrize("name", ["normal", "two humps", "cauchy", "rounded", "gaps"])
def test_looking_after_every_pair_raises_no_more_false_alarms(name: str) -> None:
    rng = np.random.default_rng(8)
    draw = {
        "normal": rng.normal,
        "two humps": lambda: rng.normal() + 9.0 * (rng.random() < 0.4),
        "cauchy": lambda: float(rng.standard_cauchy()),
        "rounded": lambda: float(round(rng.normal())),
        "gaps": lambda: NAN if rng.random() < 0.3 else rng.normal(),
    }[name]
    alarms = 0
    for _ in range(150):
        good, bad = [draw() for _ in range(20)], [draw() for _ in range(20)]
        alarms += any(evidence(good[:n], bad[:n], rate=False) >= 20.0 for n in range(2, 21))
    assert lower_bound(alarms, 150, 0.999) <= 0.05


def test_a_plain_difference_needs_few_pairs() -> None:
    rng = np.random.default_rng(1)
    good, bad = rng.normal(0.0, 1.0, 12), rng.normal(6.0, 1.0, 12)
    assert evidence(good[:6], bad[:6], rate=False) >= 20.0
    assert evidence([1.0] * 5, [0.0] * 5, rate=True) >= 20.0
    assert evidence([1.0] * 6, [NAN] * 6, rate=False) >= 20.0


@settings(max_examples=80, deadline=None)
@given(st.lists(st.floats(-1e9, 1e9) | st.just(NAN), max_size=20))
def test_two_equal_histories_never_differ(values: list[float]) -> None:
    assert evidence(values, values, rate=False) <= 1.0 + 1e-9


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.floats(-10, 10), min_size=2, max_size=12),
    st.lists(st.floats(-10, 10), min_size=2, max_size=12),
)
def test_neither_end_is_favoured(good: list[float], bad: list[float]) -> None:
    forth, back = evidence(good, bad, rate=False), evidence(bad, good, rate=False)
    assert forth == pytest.approx(back)
    assert 0.0 < forth <= 4.0 ** (min(len(good), len(bad)) - 1)
