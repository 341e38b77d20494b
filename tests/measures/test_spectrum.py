"""Orders and frequencies of speed ripple, and how even sectors are."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.measure import Outcome
from hil.measures.spectrum import fixed, orders, reason, sector_scatter, sector_times
from hil.measures.unmeasurable import Unmeasurable

P = 4


def turning(rpm, order=0.0, hertz=0.0, size=20.0, end=1.5):
    """Angle in degrees and speed in rpm of a shaft with one kind of ripple, at 1 kHz."""
    t = np.arange(0.0, end, 1e-4)
    angle = np.zeros_like(t)
    for i in range(1, t.size):
        now = rpm + size * np.sin(np.radians(order * angle[i - 1])) * (order > 0)
        now += size * np.sin(2.0 * np.pi * hertz * t[i]) * (hertz > 0)
        angle[i] = angle[i - 1] + 6.0 * now * 1e-4
    speed = np.gradient(angle, t) / 6.0
    return t[::10], angle[::10], speed[::10]


@pytest.mark.parametrize("order", [1.0, 3.0, 4.0, 8.0])
def test_a_ripple_of_one_order_is_found_there(order):
    _, angle, speed = turning(1200.0, order)
    found = orders(angle, speed)
    assert found.strongest == pytest.approx(order, abs=0.5 / found.turns)
    assert found.at(order) == pytest.approx(20.0, rel=0.1)
    assert found.mean == pytest.approx(1200.0, rel=0.01)


def test_turning_the_other_way_is_the_same():
    _, angle, speed = turning(1200.0, 4.0)
    assert orders(-angle, speed).strongest == orders(angle, speed).strongest


@pytest.mark.parametrize("rpm", [600.0, 1200.0])
def test_what_the_sampling_cannot_tell_is_not_shown(rpm):
    _, angle, speed = turning(rpm, 4.0)
    found = orders(angle, speed)
    # 1 kHz has two samples a period up to 500 Hz
    assert found.highest == pytest.approx(min(48.0, 500.0 / (rpm / 60.0)), rel=0.01)
    assert found.at(found.highest + 1.0) == 0.0


def test_an_order_keeps_its_order_and_an_oscillation_its_frequency():
    hall = [orders(*turning(rpm, order=4.0)[1:]) for rpm in (900.0, 1500.0)]
    loop = [orders(*turning(rpm, hertz=35.0)[1:]) for rpm in (900.0, 1500.0)]
    assert fixed(hall) == "order"
    assert fixed(loop) == "frequency"


def test_one_speed_does_not_tell():
    one = orders(*turning(900.0, order=4.0)[1:])
    assert fixed([one]) == ""
    assert fixed([one, one]) == ""


@pytest.mark.parametrize(
    ("order", "word"),
    [
        (4.0, "Hall"),
        (8.0, "Hall"),
        (24.0, "cogging"),
        (12.0, "half-waves"),
        (3.0, "load"),
        (1.0, "eccentricity"),
    ],
)
def test_reasons(order, word):
    assert word in reason(order, P, pulses=3)


def test_no_reason_is_made_up():
    assert reason(5.3, P) == ""
    assert reason(3.0, P) == ""


def test_too_little_and_back_and_forth():
    with pytest.raises(Unmeasurable, match="whole turns") as few:
        orders(np.linspace(0.0, 700.0, 100), np.ones(100))
    assert few.value.outcome is Outcome.TOO_FEW_SAMPLES
    swing = np.concatenate((np.linspace(0, 2000, 200), np.linspace(2000, 1500, 50)))
    with pytest.raises(Unmeasurable, match="turned back"):
        orders(swing, np.ones(250))


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(-8.0, 8.0), min_size=6, max_size=6), st.integers(1, 5))
def test_sectors_of_uneven_width_show_as_they_are(errors, pole_pairs):
    """A shaft that slows down in some sectors; a closed form of the sector times."""
    shares = 1.0 + np.array(errors) / 100.0
    times = np.tile(0.02 * shares, 8 * pole_pairs)
    size = 60.0 / pole_pairs
    edges = np.concatenate(([0.0], np.cumsum(times)))
    t = np.arange(0.0, edges[-1], 1e-3)
    angle = np.interp(t, edges, size * np.arange(edges.size))
    found = sector_scatter(sector_times(t, angle, pole_pairs), pole_pairs)
    expected = 100.0 * np.std(shares) / np.mean(shares)
    assert found == pytest.approx(expected, abs=0.4)


def test_sectors_faster_than_the_sampling_are_not_judged():
    t, angle, _ = turning(2000.0, 4.0)
    with pytest.raises(Unmeasurable, match="too fast") as fast:
        sector_times(t, angle, P)
    assert fast.value.outcome is Outcome.NOT_APPLICABLE
    with pytest.raises(Unmeasurable, match="one turn"):
        sector_times(t[:5], angle[:5], P)
