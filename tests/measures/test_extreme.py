"""What rounding adds to an extreme is taken off again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.core.budget import RESOLUTION
from hil.core.trace import Accuracy
from hil.measures.extreme import largest, largest_magnitude, largest_of_even, peak_to_peak
from hil.measures.signal import Signal
from hil.measures.waveform import full_means

STEP, GATE = 3.0, 5


def counted(speed, rng):
    """A speed in rpm as a counter has it: differences of rounded angles over five samples."""
    counts = np.floor(np.cumsum(speed) / (STEP * GATE) + rng.uniform())
    y = (counts[GATE:] - counts[:-GATE]) * STEP
    return Signal("x", 0.001 * np.arange(y.size), y, Accuracy(0.0, 0.0, STEP), 0.0, 0.001)


def exact(speed):
    y = np.convolve(speed, np.ones(GATE) / GATE, mode="full")[GATE : speed.size]
    return Signal("x", 0.001 * np.arange(y.size), y, Accuracy(), 0.0, 0.001)


@pytest.mark.parametrize("ripple", [10.0, 60.0])
@pytest.mark.parametrize("of", [largest, peak_to_peak])
def test_many_crests_are_not_too_high_on_average(ripple, of):
    rng = np.random.default_rng(3)
    errors, stated = [], []
    for _ in range(60):
        t = 0.001 * np.arange(505)
        speed = 2000.0 + rng.uniform(-5, 5)
        speed = speed + ripple * np.sin(2.0 * np.pi * 97.3 * t + rng.uniform(0.0, 6.3))
        value, budget = of(counted(speed, rng), 0.005)
        true, nothing = of(exact(speed), 0.005)
        assert nothing.total == 0.0
        errors.append(value - true)
        stated.append(budget.total)
    errors, u = np.array(errors), float(np.mean(stated))
    assert abs(float(np.mean(errors))) < 0.75 * u
    assert float(np.sqrt(np.mean(errors**2))) < 1.3 * u
    assert np.mean(np.abs(errors) <= 2.0 * np.array(stated)) >= 0.9


def test_a_signal_without_any_crest_is_corrected_too_far_but_by_less_than_a_step():
    """Its roundings repeat and never add up as those of a wandering signal do."""
    rng = np.random.default_rng(3)
    for _ in range(30):
        speed = np.full(505, 2000.0 + rng.uniform(-5, 5))
        value, _ = largest(counted(speed, rng), 0.005)
        assert abs(value - speed[0]) <= STEP


def test_without_a_resolution_nothing_is_corrected():
    s = exact(np.concatenate([np.full(100, 5.0), np.full(100, 9.0)]))
    value, budget = largest(s, 0.005)
    # at a sharp corner a twelfth of the second difference is taken for a crest that samples miss
    assert value == pytest.approx(9.0, abs=0.01)
    assert budget.parts == ()
    assert peak_to_peak(s, 0.0)[0] == pytest.approx(4.0)


def test_one_crest_is_hardly_corrected_and_all_is_rounding():
    t = 0.001 * np.arange(500)
    y = 1000.0 + 500.0 * np.exp(-(((t - 0.25) / 0.02) ** 2))
    s = Signal("x", t, y, Accuracy(0.0, 0.0, STEP), 0.0, 0.001)
    value, budget = largest(s, 0.005)
    assert value == pytest.approx(float(np.max(full_means(t, y, 0.005))), abs=1.0)
    assert {part.source for part in budget.parts} == {RESOLUTION}
    assert budget.total == pytest.approx(STEP / np.sqrt(6.0) / np.sqrt(5.0), rel=0.3)


def test_the_same_trace_gives_the_same_figures():
    s = counted(np.full(300, 1234.5), np.random.default_rng(1))
    assert largest(s, 0.005) == largest(s, 0.005)
    assert peak_to_peak(s, 0.005)[0] >= 0.0


@pytest.mark.parametrize("ripple", [10.0, 60.0])
@pytest.mark.parametrize("of", [largest, peak_to_peak])
def test_readings_whose_gates_overlap_share_counts(ripple, of):
    """The same with the gate known; what is stated for one mean is what its counts come to."""
    rng = np.random.default_rng(5)
    errors, stated = [], []
    for _ in range(80):
        t = 0.001 * np.arange(505)
        speed = 2000.0 + rng.uniform(-5, 5)
        speed = speed + ripple * np.sin(2.0 * np.pi * 97.3 * t + rng.uniform(0.0, 6.3))
        value, budget = of(replace(counted(speed, rng), gate=0.005), 0.005)
        true, _ = of(exact(speed), 0.005)
        errors.append(value - true)
        stated.append(budget.total)
    errors, u = np.array(errors), float(np.mean(stated))
    assert abs(float(np.mean(errors))) < 0.75 * u
    assert float(np.sqrt(np.mean(errors**2))) < 1.3 * u
    # weights 1/8, 7/8, 1, 1, 1, 7/8, 1/8 of five intervals; the two in the middle share a count
    k = np.array([1, 7, 8, 8, 8, 7, 1]) / 40.0
    w = np.concatenate((k, np.zeros(5))) - np.concatenate((np.zeros(5), k))
    one = STEP * float(np.linalg.norm(w)) / np.sqrt(12.0)
    assert max(part.uncertainty for part in budget.parts) >= 0.95 * one


@pytest.mark.parametrize("of", [largest_magnitude, largest_of_even])
def test_the_largest_of_an_even_speed_is_neither_too_high_nor_too_low(of):
    """Speeds whose counts advance by whole, half or odd fractions, over whole traces."""
    rng = np.random.default_rng(7)
    errors, stated = [], []
    for _ in range(150):
        speed = np.full(905, 2000.0 + rng.uniform(-15, 15)) + rng.normal(0.0, 0.3, 905)
        value, budget = of(replace(counted(speed, rng), gate=0.005), 0.005)
        errors.append(value - of(exact(speed), 0.005)[0])
        stated.append(budget.total)
    errors, u = np.array(errors), float(np.mean(stated))
    assert abs(float(np.mean(errors))) < 0.75 * u
    assert np.mean(np.abs(errors) <= 2.0 * np.array(stated)) >= 0.9


def test_the_largest_magnitude_may_be_on_either_side():
    s = exact(np.concatenate([np.full(100, 5.0), np.full(100, -9.0)]))
    # at a sharp corner a twelfth of the second difference is taken for a crest that samples miss
    assert largest_magnitude(s, 0.005)[0] == pytest.approx(9.0, abs=0.03)
    assert largest(s, 0.005)[0] == pytest.approx(5.0, abs=0.03)
