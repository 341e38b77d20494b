"""Uneven sectors as orders and as sector times, from a shaft angle of known ripple."""

import numpy as np
import pytest

from hil.core.measure import Outcome

P, STEP = 4, 360.0 / 4096.0


def scene(lab, rpm, order, percent):
    """A shaft whose speed pulsates by `percent` at one order; the angle in closed form (small)."""
    swing = np.degrees(percent / 100.0 / order) if order else 0.0

    def position(t):
        even = 6.0 * rpm * t
        return np.floor((even - swing * np.cos(np.radians(order * even))) / STEP) * STEP

    return lab.Scene(
        end=3.0, speed=lab.constant(rpm), marks=[("command", 0.0)], position=position
    ).trace()


def of(lab, name, *asked, **more):
    return lab.measures("steps", scene(lab, *asked), pole_pairs=P, **more)[name]


@pytest.mark.parametrize(("order", "percent"), [(4, 2.0), (8, 1.0), (4, 5.0)])
def test_ripple_of_the_electrical_turn_is_found(lab, order, percent):
    found = of(lab, "uneven-commutation", 1200.0, order, percent)
    assert found.value == pytest.approx(percent, rel=0.1)
    assert f"order {order}" in found.detail
    assert "Hall" in found.detail


@pytest.mark.parametrize("rpm", [610.0, 1210.0, 2010.0, 3010.0, 3590.0])
@pytest.mark.parametrize("order", [4, 8])
def test_the_size_of_a_ripple_does_not_depend_on_the_speed(lab, rpm, order):
    """At 3590 rpm and 1 kHz order 8 has two samples a period, straight lines halve it.

    No speed at which samples fall on the same angles turn after turn: they are rounded alike.
    """
    found = of(lab, "uneven-commutation", rpm, order, 2.0)
    assert found.value == pytest.approx(2.0, abs=max(0.06, 2.5 * found.uncertainty))


def test_orders_that_the_sampling_cannot_tell_are_not_left_out_in_silence(lab):
    found = of(lab, "uneven-commutation", 4200.0, 4, 2.0)
    assert found.outcome is Outcome.NOT_APPLICABLE
    assert "order 8" in found.detail


@pytest.mark.parametrize(("order", "word"), [(3, ""), (12, "half-waves")])
def test_other_orders_are_not_blamed_on_the_commutation(lab, order, word):
    found = of(lab, "uneven-commutation", 1200.0, order, 3.0)
    assert found.value < 0.3  # a tenth of it at most leaks into other orders
    assert f"order {order}" in found.detail
    assert "Hall" not in found.detail
    assert word in found.detail


def test_an_even_shaft_is_even_within_its_uncertainty(lab):
    for name in ("uneven-commutation", "sector-scatter"):
        found = of(lab, name, 510.0, 0, 0.0)
        assert found.value <= 4.0 * found.uncertainty, name


def test_sectors_show_where_the_sampling_allows(lab):
    uneven = of(lab, "sector-scatter", 510.0, 4, 6.0)
    even = of(lab, "sector-scatter", 510.0, 3, 6.0)
    # a sine of order p: means over sixths of its period, standard deviation 6 %/sqrt(2) * sinc(1/6)
    assert uneven.value == pytest.approx(6.0 / np.sqrt(2.0) * np.sinc(1.0 / 6.0), rel=0.1)
    assert even.value < 0.5


def test_the_scatter_of_sectors_lies_within_its_uncertainty(lab):
    """Against the closed form, at speeds that fall on other angles each time.

    Far within: what happens between two samples is allowed a tenth of their interval.
    """
    rng = np.random.default_rng(2)
    true = 2.0 / np.sqrt(2.0) * np.sinc(1.0 / 6.0)
    found = [of(lab, "sector-scatter", float(rpm), 4, 2.0) for rpm in rng.uniform(400.0, 800.0, 20)]
    uncertain = np.mean([m.uncertainty for m in found])
    off = np.sqrt(np.mean([(m.value - true) ** 2 for m in found]))
    assert off < uncertain < 30.0 * off


def test_fast_sectors_are_not_judged(lab):
    found = of(lab, "sector-scatter", 2000.0, 4, 5.0)
    assert found.outcome is Outcome.NOT_APPLICABLE
    assert "too fast" in found.detail


def test_a_short_stretch_and_no_direction(lab):
    brief = lab.Scene(end=0.4, speed=lab.constant(1200.0), marks=[("command", 0.0)]).trace()
    found = lab.measures("steps", brief)["uneven-commutation"]
    assert found.outcome is Outcome.TOO_FEW_SAMPLES
    blind = of(lab, "uneven-commutation", 1200.0, 4, 2.0, senses_direction=False)
    assert blind.outcome is Outcome.NOT_APPLICABLE


def test_rounding_adds_no_ripple_on_average(lab):
    """The power of what is rounded is taken off: even shafts are even, at whatever speed."""
    rng = np.random.default_rng(1)
    found = [
        of(lab, "uneven-commutation", float(rpm), 4, 0.05) for rpm in rng.uniform(900.0, 1500.0, 30)
    ]
    errors = np.array([m.value - 0.05 for m in found])
    assert abs(np.mean(errors)) < 0.3 * np.mean([m.uncertainty for m in found])
    assert all(abs(e) <= 2.0 * m.uncertainty for e, m in zip(errors, found, strict=True))
