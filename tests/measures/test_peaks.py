"""Peaks of current and voltage, and the count of faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from hil.core.measure import Outcome


@pytest.fixture
def scene(lab):
    return lab.Scene(
        end=2.0,
        speed=lab.constant(1000.0),
        marks=[("command", 0.5), ("stop", 1.5)],
        current=lab.steps_of([(0.0, 9.0), (0.2, 2.0), (1.0, -4.0), (1.1, 2.0), (1.7, 9.0)]),
        voltage=lab.ramps([(0.0, 20.0), (2.0, 28.0)]),
    )


def test_the_peak_is_the_largest_magnitude_in_its_window(lab, scene):
    start = lab.measures("start", scene.trace())["peak-current"]
    assert start.value == pytest.approx(4.8)
    whole = lab.measures("steps", scene.trace())["peak-current"]
    assert whole.value == pytest.approx(10.8)


def test_a_peak_carries_the_accuracy_of_its_channel(lab, scene):
    m = lab.measures("start", scene.trace())["peak-current"]
    gain, offset = 0.02 * 4.8, 0.02
    expected = np.sqrt((gain**2 + offset**2) / 3.0 + 0.001**2 / 12.0)
    assert m.uncertainty == pytest.approx(expected)
    assert m.resolution == 0.001


def test_the_peak_voltage_needs_the_fast_channel(lab, scene):
    """Twenty readings a second are not enough to see a peak."""
    scene.leave_out = ("reported.voltage",)
    m = lab.measures("steps", scene.trace())["peak-dc-link-voltage"]
    assert m.outcome is Outcome.MISSING_DATA
    scene.leave_out = ("supply.voltage",)
    m = lab.measures("steps", scene.trace())["peak-dc-link-voltage"]
    assert m.value == pytest.approx(28.0)


def test_a_supply_that_was_read_before_only_does_not_count(lab, scene):
    trace = lab.without(scene.trace(), "supply.voltage", 0.4, 2.0)
    m = lab.measures("steps", trace)["peak-dc-link-voltage"]
    assert m.value == pytest.approx(28.0)


@pytest.mark.parametrize("gone", ["reported.peak", "reported.current"])
def test_neither_kind_of_current(lab, scene, gone):
    scene.leave_out = ("reported.peak", "reported.current")
    m = lab.measures("start", scene.trace())["peak-current"]
    assert m.outcome is Outcome.MISSING_DATA
    # one of both is enough
    scene.leave_out = (gone,)
    assert lab.measures("start", scene.trace())["peak-current"].value > 3.9


@pytest.mark.parametrize("gain", [0.99, 1.0, 1.01])
def test_a_peak_is_freed_of_what_the_board_is_off_at_rest(lab, gain):
    """Whether it reads too high or too low: the readback at rest, and the rise above it."""
    scene = lab.Scene(
        end=2.0,
        speed=lab.constant(1000.0),
        marks=[("command", 0.5)],
        current=lab.steps_of([(0.0, 0.0), (0.5, 3.0)]),
        voltage=lab.ramps([(0.0, 24.0), (1.0, 24.0), (1.2, 30.0), (1.4, 24.0)]),
    )
    # The readback misses the top: it is there in no sample that the supply answers.
    trace = lab.without(scene.trace(), "supply.voltage", 1.01, 1.39)
    trace = lab.scaled(trace, "reported.voltage", gain)
    m = lab.measures("steps", trace)["peak-dc-link-voltage"]
    assert m.value == pytest.approx(24.0 + gain * 6.0)
    # the voltmeter at 24 V, and the board's limit of 1 % of the rise alone
    volts = ((0.001 * 24.0) ** 2 + 0.01**2) / 3.0 + 0.001**2 / 12.0
    rise = (0.01 * gain * 6.0) ** 2 / 3.0 + 0.001**2 / 12.0
    assert m.uncertainty == pytest.approx(np.sqrt(volts + rise), rel=1e-3)
    assert abs(m.value - 30.0) <= np.sqrt(3.0) * m.uncertainty
    if gain != 1.0:
        assert "off at rest" in m.detail


def test_the_rest_is_where_there_is_telemetry(lab):
    """A supply that is read before the board has woken tells nothing of the board then."""
    scene = lab.Scene(
        end=2.0,
        speed=lab.constant(1000.0),
        marks=[("command", 0.5)],
        current=lab.steps_of([(0.0, 0.0), (0.2, 0.05), (0.5, 3.0)]),
        voltage=lab.constant(24.0),
    )
    trace = lab.scaled(scene.trace(), "reported.voltage", 1.01)
    awake = trace.channels["reported.voltage"].between(0.1, 2.0)
    trace = replace(trace, channels={**trace.channels, "reported.voltage": awake})
    late = replace(trace, channels={**trace.channels, "reported.voltage": awake.between(0.3, 2.0)})
    for one in (trace, late):
        m = lab.measures("steps", one)["peak-dc-link-voltage"]
        assert m.value == pytest.approx(24.0)


def test_a_link_that_is_pumped_up_is_no_rest(lab):
    """Braking energy feeds the board, and the supply nothing, which does not see it (a diode)."""
    scene = lab.Scene(
        end=2.0,
        speed=lab.constant(1000.0),
        marks=[("command", 0.5)],
        current=lab.steps_of([(0.0, 0.05), (0.5, 3.0), (1.0, 0.0), (1.4, 3.0)]),
        voltage=lab.ramps([(0.0, 24.0), (1.0, 24.0), (1.001, 38.0), (1.4, 38.0), (1.401, 24.0)]),
    )
    trace = lab.scaled(scene.trace(), "reported.voltage", 1.01)
    supply = trace.channels["supply.voltage"]
    blind = replace(supply, y=np.full(supply.y.size, 24.0))
    trace = replace(trace, channels={**trace.channels, "supply.voltage": blind})
    m = lab.measures("steps", trace)["peak-dc-link-voltage"]
    assert m.value == pytest.approx(24.0 + 1.01 * 14.0)  # freed by the rest before the command
    always = lab.steps_of([(0.0, 3.0), (1.0, 0.0), (1.4, 3.0)])
    amps = trace.channels["supply.current"]
    loaded = replace(amps, y=np.array([always(t) for t in amps.t]))
    trace = replace(trace, channels={**trace.channels, "supply.current": loaded})
    m = lab.measures("steps", trace)["peak-dc-link-voltage"]
    assert m.value == pytest.approx(1.01 * 38.0)  # no rest at all: as it was read
