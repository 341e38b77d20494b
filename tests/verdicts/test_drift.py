from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.verdicts.drift import (
    SHIPPED,
    WINDOW,
    DriftSettings,
    history_needed,
    judge_night,
    rank_tail,
)

MEASURES, NIGHTS = 200, 365
MONTH = 365.25 / 12


def series(kind: str, rng: np.random.Generator, nights: int) -> np.ndarray:
    """Healthy results of many measures: nothing changes but by chance."""
    shape = (nights, MEASURES)
    noise = rng.standard_normal(shape)
    if kind == "normal":
        return noise
    if kind == "heavy tails":
        return rng.standard_t(3, shape)
    if kind == "skewed":
        return rng.exponential(size=shape)
    if kind == "coarse":
        return np.round(noise / 3.0) * 3.0
    if kind == "common cause":
        return 0.7 * rng.standard_normal((nights, 1)) + 0.7 * noise
    lag = float(kind.removeprefix("autocorrelated "))
    result = noise.copy()
    for night in range(1, nights):
        result[night] = lag * result[night - 1] + math.sqrt(1.0 - lag**2) * noise[night]
    return result


def alarms_per_month(data: np.ndarray) -> tuple[float, float]:
    """Nights with an alarm and alarms of single measures in a year of nights, a month.

    Each night is judged against the `WINDOW` nights before.
    """
    confirm, nights, alarms = SHIPPED.confirm, 0, 0
    last = range(WINDOW + confirm, data.shape[0] + 1)
    for end in last:
        now = end - confirm
        found = int(judge_night(data[now - WINDOW : now], data[now:end]).alarm.sum())
        nights, alarms = nights + bool(found), alarms + found
    return nights / len(last) * MONTH, alarms / len(last) * MONTH


@pytest.mark.parametrize(
    "kind",
    [
        "normal",
        "heavy tails",
        "skewed",
        "coarse",
        "common cause",
        "autocorrelated 0.3",
        "autocorrelated 0.6",
    ],
)
def test_a_year_of_healthy_nights_raises_less_than_an_alarm_a_month(kind):
    rng = np.random.default_rng(365)
    nights, alarms = alarms_per_month(series(kind, rng, NIGHTS + WINDOW + SHIPPED.confirm))
    assert nights < 1.0
    if kind != "common cause":  # there, one chance event is seen by many measures at once
        assert alarms < 1.0


def power(shift: float, nights_after: int, kind: str = "normal") -> float:
    """Share of measures (each the only one of 200 to change) found so many nights after a step."""
    data = series(kind, np.random.default_rng(8), WINDOW + nights_after)
    data[WINDOW:] += shift
    found = np.zeros(MEASURES, dtype=bool)
    for end in range(WINDOW + SHIPPED.confirm, WINDOW + nights_after + 1):
        now = end - SHIPPED.confirm
        p = judge_night(data[now - WINDOW : now], data[now:end]).p
        # The smallest of 200: adjusted by 200.
        found |= p * MEASURES <= SHIPPED.false_share
    return float(found.mean())


@pytest.mark.parametrize(
    ("deviations", "least", "most"), [(2.0, 0.0, 0.2), (4.0, 0.65, 0.95), (6.0, 0.95, 1.0)]
)
def test_how_large_a_step_is_found_in_three_nights(deviations, least, most):
    assert least <= power(deviations, SHIPPED.confirm) <= most


def test_autocorrelation_makes_steps_harder_to_tell():
    assert power(5.0, 3, "autocorrelated 0.5") < power(5.0, 3)


def test_a_step_is_an_alarm_with_its_size():
    rng = np.random.default_rng(1)
    data = rng.normal(100.0, 2.0, (WINDOW + 3, 50))
    data[-3:, 7] += 20.0
    data[-3:, 9] -= 16.0
    found = judge_night(data[:-3], data[-3:])
    assert set(np.flatnonzero(found.alarm)) == {7, 9}
    assert found.difference[7] == pytest.approx(20.0, abs=4.0)
    assert found.deviations[9] == pytest.approx(-8.0, abs=2.0)
    assert found.judged.all()


def test_one_odd_night_is_no_alarm():
    data = np.random.default_rng(1).standard_normal((WINDOW + 3, 20))
    data[-1, 4] += 50.0
    found = judge_night(data[:-3], data[-3:])
    assert not found.alarm.any()
    assert found.odd[4]


def test_a_change_there_and_back_is_no_alarm():
    data = np.random.default_rng(1).standard_normal((WINDOW + 3, 20))
    data[-3:, 4] += [50.0, -50.0, 50.0]
    assert not judge_night(data[:-3], data[-3:]).alarm.any()


def test_a_change_too_small_to_matter_is_no_alarm():
    data = np.random.default_rng(1).normal(24.0, 0.001, (WINDOW + 3, 20))
    data[-3:, 4] += 0.02
    assert judge_night(data[:-3], data[-3:]).alarm[4]
    minimum = np.full(20, 0.05)
    found = judge_night(data[:-3], data[-3:], minimum=minimum)
    assert not found.alarm.any()
    assert found.adjusted[4] <= SHIPPED.false_share


def test_missing_results_are_not_judged_and_never_alarm():
    data = np.random.default_rng(1).standard_normal((WINDOW + 3, 6))
    data[-1, 0] = math.nan  # tonight
    data[:80, 1] = math.nan  # too little history
    data[5:25, 2] = math.nan  # enough left
    data[-3:, 0:3] += 30.0
    data[:, 3] = 7.0  # never varies
    found = judge_night(data[:-3], data[-3:])
    assert found.judged.tolist() == [False, False, True, False, True, True]
    assert np.isnan(found.p[~found.judged]).all()
    assert np.isnan(found.difference[~found.judged]).all()
    assert found.alarm.tolist() == [False, False, True, False, False, False]


def test_a_short_history_cannot_raise_an_alarm_among_many_measures():
    data = np.random.default_rng(1).standard_normal((30 + 3, MEASURES))
    data[-3:, 4] += 100.0
    assert not judge_night(data[:-3], data[-3:]).alarm.any()
    needed = history_needed(MEASURES)
    assert needed == 61
    data = np.random.default_rng(1).standard_normal((needed + 3, MEASURES))
    data[-3:, 4] += 100.0
    assert judge_night(data[:-3], data[-3:]).alarm[4]


@settings(deadline=None, max_examples=30)
@given(st.integers(1, 2000), st.floats(0.001, 0.2), st.integers(1, 4))
def test_history_needed_is_the_least_that_can_show_it(measures, share, confirm):
    wanted = DriftSettings(share, confirm)
    nights = history_needed(measures, wanted)
    assert 2 * measures / math.comb(nights + confirm, confirm) <= share
    if nights > wanted.least:
        assert 2 * measures / math.comb(nights - 1 + confirm, confirm) > share


@pytest.mark.parametrize("nights", [1, 2, 3])
def test_the_tail_is_exact_for_any_distribution(nights):
    rng = np.random.default_rng(nights)
    runs, history = 60_000, 9
    data = rng.exponential(size=(history + nights, runs))
    p = rank_tail(data[:history], data[history:])
    for level in np.unique(p)[:4]:
        share = float(np.mean(p <= level))
        assert share == pytest.approx(level, abs=4.0 * math.sqrt(level / runs))


def test_the_tail_in_one_case():
    history = np.arange(10.0)[:, None]
    recent = np.array([[8.5], [20.0]])
    # One of ten lies as far out as the lesser: both are among the 3 largest of 12.
    expected = 2 * math.comb(3, 2) / math.comb(12, 2)
    assert rank_tail(history, recent) == pytest.approx([expected])
    assert rank_tail(history, 9.0 - recent) == pytest.approx([expected])
    assert rank_tail(history, np.array([[9.0], [20.0]])) == pytest.approx([expected])  # a tie


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 1000), st.sampled_from([0.25, 4.0, 512.0]), st.integers(-100, 100))
def test_scale_and_offset_do_not_matter(seed, scale, offset):
    data = np.round(np.random.default_rng(seed).standard_normal((43, 8)) * 1024.0)
    there = judge_night(data[:-3], data[-3:])
    moved = scale * (data + offset)
    back = judge_night(moved[:-3], moved[-3:])
    assert back.difference == pytest.approx(scale * there.difference)
    assert back.deviations == pytest.approx(there.deviations)
    mirrored = judge_night(-data[:-3], -data[-3:])
    assert mirrored.p == pytest.approx(there.p)


@pytest.mark.parametrize(
    ("history", "recent", "match"),
    [
        (np.zeros((30, 4)), np.zeros((2, 4)), "recent"),
        (np.zeros((30, 4)), np.zeros((3, 5)), "recent"),
        (np.zeros(30), np.zeros((3, 1)), "history"),
        (np.full((30, 4), np.inf), np.zeros((3, 4)), "finite"),
    ],
    ids=["nights", "measures", "flat", "infinite"],
)
def test_what_cannot_be_judged(history, recent, match):
    with pytest.raises(ValueError, match=match):
        judge_night(history, recent)


@pytest.mark.parametrize("wrong", [(0.0, 3, 20), (0.01, 0, 20), (0.01, 3, 2)])
def test_no_such_settings(wrong):
    with pytest.raises(ValueError, match="no such settings"):
        DriftSettings(*wrong)


def test_no_measure():
    with pytest.raises(ValueError, match="a measure at least"):
        history_needed(0)
