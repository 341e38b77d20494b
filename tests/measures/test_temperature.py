"""Reported against witnessed power-stage temperature: known offsets, how sure, what is missing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.budget import ACCURACY, CLOCK, RESOLUTION
from hil.core.measure import Outcome
from hil.core.trace import Accuracy, Channel

NAME = "reported-temperature-offset"


EXACT = Accuracy()


def thermometer(t, y, accuracy=EXACT, time_uncertainty=0.0):
    return Channel(
        "witness.temperature", "degC", np.asarray(t, float), np.asarray(y, float), accuracy,
        time_uncertainty, 0.5,
    )  # fmt: skip


@pytest.fixture
def trace(lab):
    """Five seconds of telemetry, at 40 degC throughout, and a thermometer."""
    plain = lab.Scene(end=5.0, speed=lab.constant(2000.0)).trace()

    def make(channel, reported=None):
        channels = {**plain.channels, "witness.temperature": channel}
        if reported is not None:
            told = channels["reported.temperature"]
            channels["reported.temperature"] = replace(told, y=reported(told.t))
        if channel is None:
            del channels["witness.temperature"]
        return replace(plain, channels=channels)

    return make


@pytest.fixture
def offset(lab, trace):
    def measured(channel, reported=None, kind="steps"):
        return lab.measures(kind, trace(channel, reported))[NAME]

    return measured


T = np.arange(0.3, 5.0, 0.5)


@pytest.mark.parametrize("kind", ["start", "reversal", "stall", "speed-step", "steps"])
def test_every_kind_of_scenario_has_it(offset, kind):
    found = offset(thermometer(T, np.full(T.size, 38.0)), kind=kind)
    assert found.value == pytest.approx(2.0)
    assert found.unit == "K"
    assert found.detail == "40 degC reported, 38 degC witnessed, 10 readings"


@given(told=st.floats(-20.0, 120.0), seen=st.floats(-20.0, 120.0), count=st.integers(1, 10))
def test_a_constant_difference_is_found_with_its_sign(lab, told, seen, count):
    plain = lab.Scene(end=5.0, speed=lab.constant(2000.0)).trace()
    reported = plain.channels["reported.temperature"]
    channels = {
        **plain.channels,
        "reported.temperature": replace(reported, y=np.full(reported.t.size, told)),
        "witness.temperature": thermometer(T[:count], np.full(count, seen)),
    }
    found = lab.measures("steps", replace(plain, channels=channels))[NAME]
    assert found.value == pytest.approx(told - seen, abs=1e-9)


def test_each_reading_is_held_against_the_report_of_its_own_instant(offset):
    def rising(t):
        return 30.0 + 4.0 * t

    found = offset(thermometer(T, rising(T) - 1.5), rising)
    assert found.value == pytest.approx(1.5, abs=1e-6)


def test_readings_outside_the_telemetry_do_not_count(offset):
    t = np.array([-3.0, 1.0, 2.0, 9.0])
    found = offset(thermometer(t, np.array([999.0, 39.0, 39.0, 999.0])))
    assert found.value == pytest.approx(1.0)
    assert "2 readings" in found.detail


def test_its_budget_is_that_of_the_thermometer(offset):
    accuracy = Accuracy(relative=0.01, absolute=0.5, resolution=0.1)
    found = offset(thermometer(T, np.full(T.size, 30.0), accuracy))
    parts = {(part.source, round(part.uncertainty, 9)) for part in found.contributions}
    assert parts == {
        (ACCURACY, round(0.3 / math.sqrt(3.0), 9)),  # 1 % of 30 degC
        (ACCURACY, round(0.5 / math.sqrt(3.0), 9)),
        (RESOLUTION, round(0.05 / math.sqrt(3.0), 9)),  # ten equal readings are rounded alike
    }
    assert found.uncertainty == pytest.approx(math.sqrt((0.09 + 0.25 + 0.0025) / 3.0))
    assert found.resolution == 0.1


def test_what_the_board_claims_of_itself_is_no_uncertainty(lab, trace):
    plain = trace(thermometer(T, np.full(T.size, 38.0)))
    told = plain.channels["reported.temperature"]
    vague = replace(told, accuracy=Accuracy(absolute=5.0, resolution=1.0))
    found = lab.measures(
        "steps", replace(plain, channels={**plain.channels, "reported.temperature": vague})
    )[NAME]
    assert (found.value, found.uncertainty) == (pytest.approx(2.0), 0.0)


def test_a_clock_that_is_not_known_counts_where_the_temperature_moves(offset):
    def rising(t):
        return 30.0 + 4.0 * t

    still = offset(thermometer(T, np.full(T.size, 38.0), time_uncertainty=0.1))
    moving = offset(thermometer(T, rising(T), time_uncertainty=0.1), rising)
    assert not [
        part for part in still.contributions if part.source == CLOCK and part.uncertainty > 0.0
    ]
    by_clock = [part.uncertainty for part in moving.contributions if part.source == CLOCK]
    assert max(by_clock) == pytest.approx(0.4)  # 4 K/s for 0.1 s


def test_without_a_thermometer_it_does_not_apply(offset):
    found = offset(None)
    assert (found.outcome, found.detail) == (Outcome.NOT_APPLICABLE, "the rig has no thermometer")


@pytest.mark.parametrize(
    "channel",
    [
        thermometer([], []),
        thermometer([1.0, 2.0], [math.nan, math.nan]),
        thermometer([-2.0, 9.0], [38.0, 38.0]),
    ],
)
def test_a_thermometer_that_said_nothing_is_missing_data(offset, channel):
    assert offset(channel).outcome is Outcome.MISSING_DATA


def test_a_gap_in_the_telemetry_is_missing_data(lab, trace):
    plain = trace(thermometer(T, np.full(T.size, 38.0)))
    holed = lab.without(plain, "reported.temperature", 2.0, 3.0)
    assert lab.measures("steps", holed)[NAME].outcome is Outcome.MISSING_DATA


@pytest.mark.parametrize("at", [0.0, 0.803, 5.0])
def test_one_reading_of_the_thermometer_is_enough(offset, at):
    found = offset(thermometer([at], [38.5], Accuracy(0.0, 0.5, 0.1)))
    assert found.value == pytest.approx(1.5)
    assert found.detail.endswith("1 readings")


def test_one_reading_in_a_gap_of_the_telemetry_is_not(trace, lab):
    whole = trace(thermometer([2.5], [38.5]))
    told = whole.channels["reported.temperature"]
    keep = np.abs(told.t - 2.5) > 0.1
    channels = {
        **whole.channels,
        "reported.temperature": replace(told, t=told.t[keep], y=told.y[keep]),
    }
    found = lab.measures("steps", replace(whole, channels=channels))[NAME]
    assert found.outcome is Outcome.MISSING_DATA
