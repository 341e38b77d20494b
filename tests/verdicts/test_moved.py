"""Measures then and now: numbers that can be worked out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.verdicts.moved import (
    Mean,
    Scatter,
    Sense,
    distance,
    mean_of,
    moved,
    scatter_between,
    share_left,
)
from hil.verdicts.uncertainty import coverage

UP_TO_ONE = Band("time-to-speed", None, 1.0, "s")
numbers = st.floats(-1e6, 1e6)


def of(value: float, uncertainty: float | None = 0.01, freedom: float | None = None) -> Measure:
    return Measure("time-to-speed", "s", value, uncertainty, freedom=freedom)


def test_one_value_keeps_its_uncertainty() -> None:
    found = mean_of([of(0.4, 0.01)])
    assert (found.value, found.count, found.uncertainty) == (0.4, 1, 0.01)
    assert found.freedom is None
    assert found.expanded == pytest.approx(0.02)  # k = 2 for a normal distribution


def test_what_repetitions_have_in_common_does_not_average_out_and_their_scatter_does() -> None:
    # s of 1, 2, 3 is 1: u = hypot(0.6, 1 / sqrt(3)); freedom 2 for the scatter alone
    found = mean_of([of(value, 0.6) for value in (1.0, 2.0, 3.0)])
    scatter = 1.0 / math.sqrt(3.0)
    whole = math.hypot(0.6, scatter)
    assert found.value == pytest.approx(2.0)
    assert found.count == 3
    assert found.uncertainty == pytest.approx(whole)
    # Welch-Satterthwaite: u^4 / (scatter^4 / 2 + 0.6^4 / infinity)
    assert found.freedom == pytest.approx(whole**4 / (scatter**4 / 2.0))
    assert found.expanded == pytest.approx(coverage(found.freedom) * whole)


def test_scatter_alone_has_the_freedom_of_the_sample() -> None:
    found = mean_of([of(value, 0.0) for value in (1.0, 3.0)])  # s = sqrt(2), s / sqrt(2) = 1
    assert found.uncertainty == pytest.approx(1.0)
    assert found.freedom == pytest.approx(1.0)


def test_few_degrees_of_freedom_of_a_single_value_are_kept() -> None:
    assert mean_of([of(1.0, 0.1, freedom=5.0)]).freedom == pytest.approx(5.0)


def test_an_uncertainty_that_one_value_does_not_state_is_none_of_the_mean() -> None:
    assert mean_of([of(1.0), of(2.0, None)]).expanded is None


def test_a_share_of_trials_has_no_uncertainty_of_its_own() -> None:
    rate = Measure("success-rate", "%", 100.0, 0.0)
    assert mean_of([rate]).expanded is None


def test_a_mean_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        mean_of([Measure.absent("t", "s", Outcome.MISSING_DATA, "")])


@pytest.mark.parametrize(
    ("then", "now", "beyond", "sense"),
    [
        (0.50, 0.55, True, Sense.TOWARDS),  # |0.05| > hypot(0.02, 0.03) = 0.0361
        (0.55, 0.50, True, Sense.AWAY),
        (0.50, 0.53, False, Sense.TOWARDS),
        (0.50, 0.50, False, Sense.NEITHER),
    ],
)
def test_a_difference_is_held_against_both_uncertainties(
    then: float, now: float, beyond: bool, sense: Sense
) -> None:
    quiet = Scatter(0.0, 2.0)
    found = moved(Mean(then, 3, 0.01, None, quiet), Mean(now, 3, 0.015, None, quiet), UP_TO_ONE)
    assert found.scatter
    assert found.difference == pytest.approx(now - then)
    assert found.uncertainty == pytest.approx(math.hypot(0.02, 0.03))
    assert found.beyond is beyond
    assert found.sense is sense


@pytest.mark.parametrize(
    ("now", "open_"), [(0.50, False), (0.53, False), (0.55, True), (9.0, True)]
)
def test_from_one_start_to_one_start_no_move_is_decidable(now: float, open_: bool) -> None:
    found = moved(mean_of([of(0.50, 0.01)]), mean_of([of(now, 0.015)]), UP_TO_ONE)
    assert found.uncertainty == pytest.approx(math.hypot(0.02, 0.03))
    assert not found.scatter
    assert found.open is open_
    assert found.beyond is (None if open_ else False)


def test_a_single_value_has_the_scatter_of_the_other_release() -> None:
    # s of 1, 2, 3 is 1 with 2 degrees of freedom, for which k = 4.303 at 95 % (t distribution)
    three, one = mean_of([of(value, 0.0) for value in (1.0, 2.0, 3.0)]), mean_of([of(8.0, 0.0)])
    for there, back in ((three, one), (one, three)):
        found = moved(there, back, UP_TO_ONE)
        assert found.scatter
        assert found.uncertainty == pytest.approx(coverage(2.0) * math.hypot(1.0, 1.0 / 3.0**0.5))
        assert found.beyond is True
    assert moved(three, mean_of([of(6.0, 0.0)]), UP_TO_ONE).beyond is False
    assert one.scattering(three.scatter).count == 1
    assert three.scattering(Scatter(9.0, 1.0)) is three


def test_of_two_healthy_firmwares_about_one_measure_in_twenty_is_called_moved() -> None:
    """Normal repetitions, three then and one now: the t distribution makes it 5 %."""
    rng = np.random.default_rng(4)
    called = 0
    for values in rng.normal(5.0, 0.3, (2000, 4)):
        then, now = values[:3].tolist(), values[3:].tolist()
        found = moved(
            mean_of([of(v, 0.0) for v in then]), mean_of([of(v, 0.0) for v in now]), UP_TO_ONE
        )
        called += bool(found.beyond)
    # 100 expected, standard deviation 9.7: within five of those
    assert 52 <= called <= 148


def test_runs_in_a_row_tell_their_scatter_by_the_differences_of_neighbours() -> None:
    found = scatter_between([1.0, 2.0, 1.0, 2.0, 1.0])  # sum d^2 = 4, / (2 * 4)
    assert found is not None
    assert found.deviation == pytest.approx(0.5**0.5)
    assert (found.freedom, found.runs) == (pytest.approx(2.0 * 16.0 / 11.0), 5)
    assert scatter_between([1.0, 2.0, 1.0, 2.0]) is None
    assert scatter_between([0.5] * 30) is None, "one seed, or too coarse a reading"


@pytest.mark.parametrize("runs", [5, 20])
def test_its_degrees_of_freedom_are_those_of_its_spread(runs: int) -> None:
    """A variance of f degrees of freedom has a relative variance of 2 / f."""
    series = np.random.default_rng(runs).standard_normal((4000, runs))
    found = [scatter_between(values) for values in series.tolist()]
    squares = np.array([one.deviation**2 for one in found if one is not None])
    assert np.mean(squares) == pytest.approx(1.0, abs=0.06)
    freedom = 2.0 / np.var(squares)
    assert found[0] is not None
    assert freedom == pytest.approx(found[0].freedom, rel=0.12)


def test_a_step_between_two_builds_hardly_swells_it() -> None:
    values = np.random.default_rng(1).standard_normal(40)
    calm = scatter_between(values.tolist())
    stepped = scatter_between((values + 10.0 * (np.arange(40) >= 20)).tolist())
    assert calm is not None
    assert stepped is not None
    assert (
        stepped.deviation
        < 2.0 * calm.deviation
        < 0.5 * float(np.std(values + 10.0 * (np.arange(40) >= 20)))
    )


def test_earlier_runs_decide_what_was_measured_once() -> None:
    then, now = mean_of([of(0.50, 0.01)]), mean_of([of(0.70, 0.01)])
    known = Scatter(0.03, 12.0, 20)
    found = moved(then, now, UP_TO_ONE, known)
    assert (found.beyond, found.scatter) == (True, True)
    # u of each: hypot(0.01, 0.03), with 12 * (u / 0.03)^4 degrees of freedom
    u = math.hypot(0.01, 0.03)
    assert found.uncertainty == pytest.approx(math.sqrt(2.0) * coverage(12.0 * (u / 0.03) ** 4) * u)
    assert moved(then, now, UP_TO_ONE, Scatter(0.2, 12.0, 20)).beyond is False
    three = mean_of([of(value, 0.01) for value in (0.4, 0.5, 0.6)])
    assert moved(three, three, UP_TO_ONE, known) == moved(three, three, UP_TO_ONE)


def test_nobody_can_say_whether_it_is_beyond_an_uncertainty_that_is_not_stated() -> None:
    found = moved(Mean(0.5, 1, 0.01), Mean(0.9, 1, None), UP_TO_ONE)
    assert found.uncertainty is None
    assert found.beyond is None
    assert found.sense is Sense.TOWARDS


def test_counts_are_exact() -> None:
    none = Band("fault-count", 0.0, 0.0, "1")
    assert moved(Mean(0.0, 1, 0.0), Mean(0.0, 1, 0.0), none).beyond is False
    more = moved(mean_of([of(0.0, 0.0)] * 2), mean_of([of(1.0, 0.0)]), none)
    assert more.beyond is True
    assert more.sense is Sense.TOWARDS  # out of it


def test_from_one_side_to_the_other_is_no_nearer() -> None:
    found = moved(Mean(-1.0, 1, 0.0), Mean(1.0, 1, 0.0), Band("steady-error", -2.0, 2.0, "%"))
    assert found.open
    assert found.sense is Sense.NEITHER


@pytest.mark.parametrize(
    ("low", "high", "value", "margin", "share"),
    [
        (-2.0, 2.0, 0.0, 2.0, 50.0),  # the middle
        (-2.0, 2.0, 1.6, 0.4, 10.0),
        (-2.0, 2.0, 3.0, -1.0, -25.0),
        (None, 1.0, 0.9, 0.1, 10.0),
        (None, -4.0, -5.0, 1.0, 25.0),
        (80.0, None, 100.0, 20.0, 25.0),
        (1.0, 1.0, 1.0, 0.0, None),
        (None, 0.0, -1.0, 1.0, None),
        (0.0, None, 1.0, 1.0, None),
    ],
)
def test_what_is_left_of_the_span(
    low: float | None, high: float | None, value: float, margin: float, share: float | None
) -> None:
    band = Band("m", low, high, "1")
    assert distance(value, band) == pytest.approx(margin)
    assert share_left(margin, band) == (None if share is None else pytest.approx(share))


def test_a_share_of_trials_has_no_proportion() -> None:
    assert share_left(3.0, Band("success-rate", 97.0, None, "%")) is None
    assert share_left(3.0, Band("failure-rate", None, 3.0, "%")) is None


@given(numbers, numbers, st.floats(0, 1e3), st.floats(0, 1e3), numbers, st.floats(1e-3, 1e6))
def test_there_and_back_are_the_same_the_other_way(
    a: float, b: float, u: float, v: float, low: float, span: float
) -> None:
    band = Band("m", low, low + span, "1")
    there = moved(Mean(a, 1, u), Mean(b, 1, v), band)
    back = moved(Mean(b, 1, v), Mean(a, 1, u), band)
    assert there.difference == -back.difference
    assert there.uncertainty == back.uncertainty
    assert there.beyond is back.beyond
    opposite = {Sense.TOWARDS: Sense.AWAY, Sense.AWAY: Sense.TOWARDS, Sense.NEITHER: Sense.NEITHER}
    assert back.sense is opposite[there.sense]


@given(st.lists(numbers, min_size=1, max_size=8), st.floats(0, 1e3))
def test_more_repetitions_never_undercut_what_is_common(values: list[float], u: float) -> None:
    found = mean_of([of(value, u) for value in values])
    assert found.uncertainty is not None
    assert found.uncertainty >= u * (1 - 1e-12)
    span = max(abs(value) for value in values)
    assert min(values) - 1e-9 * span <= found.value <= max(values) + 1e-9 * span
