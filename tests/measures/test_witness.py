"""What the firmware reports against what the instruments see: healthy passes, wrong shows."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from hil.core.budget import ACCURACY
from hil.core.drive import DriveState
from hil.core.measure import Outcome
from hil.core.trace import Accuracy
from hil.measures.compare import Envelope, envelope
from hil.measures.power_balance import _sensitivities, motor_current
from hil.measures.view import View

S = DriveState


@pytest.fixture
def run(lab):
    """A hard run-up with a reported speed 20 ms late, then steady."""
    speed = lab.ramps([(0.5, 0.0), (1.0, 3000.0)])
    return lab.Scene(
        end=5.0,
        speed=speed,
        reported_speed=lambda t: speed(t - 0.02),
        marks=[("command", 0.5)],
        states=[(0.0, S.IDLE), (0.5, S.RUN)],
        current=lab.steps_of([(0.0, 0.0), (0.5, 6.0), (1.0, 1.5)]),
        frames=995,
        lost=5,
    )


def judge(lab, trace, **changes):
    return lab.measures("start", trace, **{"target": 3000.0, **changes})


@pytest.mark.parametrize("direction", [1, -1])
def test_a_healthy_drive_agrees(lab, run, direction):
    found = judge(lab, run.trace(direction))
    assert found["speed-disagreement"].value < 0.5
    assert found["direction-agreement"].value == 1.0
    assert found["voltage-disagreement"].value < 0.5
    assert found["current-disagreement"].value < 2.0
    assert found["telemetry-loss"].value == pytest.approx(0.5)
    assert found["telemetry-loss"].resolution == pytest.approx(0.1)


@pytest.mark.parametrize("factor", [0.5, 2.0, 0.97])
def test_a_wrong_speed_scale_shows(lab, run, factor):
    trace = lab.scaled(run.trace(), "reported.speed", factor)
    m = judge(lab, trace)["speed-disagreement"]
    assert m.value == pytest.approx(100.0 * (1.0 - min(factor, 1.0 / factor)), abs=1.0)
    assert "reported" in m.detail


def test_a_wrong_sign_shows(lab, run):
    trace = lab.scaled(run.trace(), "reported.speed", -1.0)
    found = judge(lab, trace)
    assert found["direction-agreement"].value == 0.0
    assert found["speed-disagreement"].value == pytest.approx(200.0, abs=1.0)


def test_a_speed_frozen_at_its_last_value_shows(lab, run):
    speed = lab.ramps([(0.5, 0.0), (1.0, 3000.0), (2.5, 3000.0), (3.0, 2000.0)])
    run.speed = speed
    run.reported_speed = lambda t: speed(np.minimum(t, 2.4))
    assert judge(lab, run.trace())["speed-disagreement"].value == pytest.approx(33.3, abs=0.5)


def test_a_speed_reported_while_the_shaft_stands_shows(lab, run):
    run.speed = lab.constant(0.0)
    run.reported_speed = lab.constant(3000.0)
    assert judge(lab, run.trace())["speed-disagreement"].value == pytest.approx(100.0)


def test_a_reversal_at_full_acceleration_agrees(lab, run):
    speed = lab.ramps([(1.0, 3000.0), (1.6, -3000.0)])
    run.speed, run.reported_speed = speed, lambda t: speed(t - 0.02)
    found = lab.measures("reversal", run.trace(), entry=3000.0, target=3000.0)
    assert found["speed-disagreement"].value < 0.5
    assert found["direction-agreement"].value == 1.0


def test_ramp_and_align_are_not_compared(lab, run):
    """An imposed commutation rate is no measurement, and the fault state measures nothing."""
    run.states = [(0.0, S.RAMP), (1.5, S.RUN), (4.0, S.FAULT)]
    late = run.reported_speed
    run.reported_speed = lambda t: np.where((t < 1.5) | (t >= 4.0), 0.0, late(t))
    assert judge(lab, run.trace())["speed-disagreement"].value < 0.5


def test_a_drive_that_never_ran_cannot_be_compared(lab, run):
    run.states = [(0.0, S.IDLE)]
    found = judge(lab, run.trace())
    for name in ("speed-disagreement", "direction-agreement", "current-disagreement"):
        assert found[name].outcome is Outcome.NOT_APPLICABLE, name


def test_a_short_run_cannot_be_compared(lab, run):
    run.states = [(0.0, S.IDLE), (2.0, S.RUN), (2.1, S.FAULT)]
    m = judge(lab, run.trace())["speed-disagreement"]
    assert m.outcome is Outcome.NOT_APPLICABLE


def test_both_at_rest_cannot_be_compared(lab, run):
    run.speed, run.reported_speed = lab.constant(100.0), lab.constant(50.0)
    m = judge(lab, run.trace())["speed-disagreement"]
    assert m.outcome is Outcome.NOT_APPLICABLE
    assert "300 rpm" in m.detail


def test_a_hole_in_either_speed_is_missing_data(lab, run):
    for name in ("witness.speed", "reported.speed", "reported.state"):
        trace = lab.without(run.trace(), name, 2.0, 2.1)
        m = judge(lab, trace)["speed-disagreement"]
        assert m.outcome is Outcome.MISSING_DATA, name
        assert name in m.detail


@pytest.mark.parametrize("factor", [0.5, 1.1, 2.0])
def test_a_wrong_voltage_scale_shows(lab, run, factor):
    trace = lab.scaled(run.trace(), "reported.voltage", factor)
    m = judge(lab, trace)["voltage-disagreement"]
    assert m.value == pytest.approx(100.0 * (1.0 - min(factor, 1.0 / factor)), abs=0.3)


def test_a_pumped_up_link_is_no_disagreement(lab, run):
    """While the motor feeds energy back, the supply readback stays where it was set."""
    run.voltage = lab.ramps([(2.0, 24.0), (2.1, 30.0), (2.6, 24.0)])
    run.current = lab.steps_of([(0.0, 0.0), (0.5, 6.0), (1.0, 1.5), (1.95, 0.0), (2.65, 1.5)])
    trace = run.trace()
    flat = lab.Scene(end=5.0, speed=run.speed).trace().channels["supply.voltage"]
    trace.channels["supply.voltage"] = flat
    assert judge(lab, trace)["voltage-disagreement"].value < 0.5


def test_a_sag_seen_by_both_is_no_disagreement(lab, run):
    run.voltage = lab.ramps([(2.0, 24.0), (2.02, 20.0), (2.5, 20.0), (2.52, 24.0)])
    assert judge(lab, run.trace())["voltage-disagreement"].value < 1.0


def test_a_supply_that_is_off_cannot_be_compared(lab, run):
    run.current = lab.constant(0.0)
    m = judge(lab, run.trace())["voltage-disagreement"]
    assert m.outcome is Outcome.NOT_APPLICABLE


@pytest.mark.parametrize("factor", [0.5, 2.0])
@pytest.mark.parametrize("load", [0.3, 1.5, 5.0])
def test_a_wrong_current_scale_shows_as_half_of_the_larger(lab, run, factor, load):
    run.current = lab.steps_of([(0.0, 0.0), (0.5, 6.0), (1.0, load)])
    healthy = judge(lab, run.trace())["current-disagreement"]
    assert healthy.value < 2.0
    trace = lab.scaled(run.trace(), "reported.current", factor)
    assert judge(lab, trace)["current-disagreement"].value == pytest.approx(50.0, abs=2.0)


def test_losses_that_only_the_supply_sees_stay_small(lab, run):
    """5 % more input power (switching, diodes), as a real power stage has it."""
    trace = lab.scaled(run.trace(), "supply.current", 1.05)
    assert judge(lab, trace)["current-disagreement"].value < 6.0


def test_a_pulsating_load_still_agrees(lab, run):
    run.current = lambda t: np.where(t < 0.5, 0.0, 1.5 + 0.4 * np.sin(2.0 * np.pi * 37.0 * t))
    assert judge(lab, run.trace())["current-disagreement"].value < 12.0


def test_without_nameplate_only_the_bound_is_left(lab, run):
    healthy = judge(lab, run.trace(), back_emf_constant=0.0)["current-disagreement"]
    assert healthy.value == 0.0
    assert "bound" in healthy.detail
    trace = lab.scaled(run.trace(), "reported.current", 0.2)
    assert judge(lab, trace, back_emf_constant=0.0)["current-disagreement"].value > 50.0


def test_too_few_readings_at_steady_speed(lab, run):
    run.speed = lab.ramps([(0.5, 0.0), (5.0, 9000.0)])
    run.end = 1.5
    m = judge(lab, run.trace())["current-disagreement"]
    assert m.outcome in (Outcome.TOO_FEW_SAMPLES, Outcome.NOT_APPLICABLE)
    assert m.detail


def test_means_do_not_mix_speeds(lab):
    """Half a mean at 0.5 A and 1000 rpm, half at 3 A and 3000 rpm: power is no product of means."""
    changes = [(0.0, 1000.0, 0.5), (1.3, 3000.0, 3.0), (2.6, 1000.0, 0.5), (3.9, 3000.0, 3.0)]
    trace = lab.Scene(
        end=5.2,
        speed=lab.steps_of([(t, n) for t, n, _ in changes]),
        current=lab.steps_of([(t, i) for t, _, i in changes]),
        marks=[("command", 0.0)],
    ).trace()
    assert judge(lab, trace, target=3000.0)["current-disagreement"].value < 1e-6
    halved = lab.scaled(trace, "reported.current", 0.5)
    found = judge(lab, halved, target=3000.0)["current-disagreement"]
    assert found.value == pytest.approx(50.0, abs=1e-6)


def test_few_readings_at_each_of_many_speeds(lab):
    speeds = lab.steps_of([(0.4 * k, 1000.0 + 1000.0 * (k % 2)) for k in range(8)])
    trace = lab.Scene(end=3.2, speed=speeds, marks=[("command", 0.0)]).trace()
    found = judge(lab, trace)["current-disagreement"]
    assert found.outcome is Outcome.TOO_FEW_SAMPLES
    assert "at one speed" in found.detail


def test_every_instrument_of_the_power_balance_counts(lab, run):
    """Readback of voltage and current and the tachometer; against difference quotients."""
    trace = run.trace()
    rough = {"supply.voltage": 0.02, "supply.current": 0.03, "witness.speed": 0.01}
    channels = {
        name: replace(channel, accuracy=Accuracy(rough[name]) if name in rough else Accuracy())
        for name, channel in trace.channels.items()
    }
    found = judge(lab, replace(trace, channels=channels))["current-disagreement"]
    by_instruments = math.hypot(
        *(part.uncertainty for part in found.contributions if part.source == ACCURACY)
    )
    speed, current = 3000.0, 1.5
    power = lab.KE * speed * np.pi / 30.0 * current + lab.R * current**2

    def relative(p=1.0, n=1.0):
        return motor_current(p * power, n * speed, lab.KE, lab.R) / current

    d = 1e-6
    by_power = (relative(p=1.0 + d) - relative(p=1.0 - d)) / (2.0 * d)
    by_speed = (relative(n=1.0 + d) - relative(n=1.0 - d)) / (2.0 * d)
    expected = (
        100.0 * math.hypot(by_power * 0.02, by_power * 0.03, by_speed * 0.01) / math.sqrt(3.0)
    )
    assert by_instruments == pytest.approx(expected, rel=0.01)


def test_one_readback_of_the_supply_is_enough_for_its_voltage(lab, run):
    trace = run.trace()
    channels = dict(trace.channels)
    for name in ("supply.voltage", "supply.current"):
        channel = channels[name]
        near = int(np.searchsorted(channel.t, 1.5))
        channels[name] = replace(channel, t=np.array([1.5027]), y=channel.y[near : near + 1])
    found = judge(lab, replace(trace, channels=channels))["voltage-disagreement"]
    assert found.value == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(("late", "agrees"), [(0.05, True), (0.2, False)])
def test_the_first_and_the_last_readback_may_be_late_as_any_other(lab, run, late, agrees):
    """The voltage changes right before the first readback and right after the last one."""
    first, last = 1.2, 1.8
    run.voltage = lab.steps_of([(0.0, 20.0), (first - late, 24.0), (last + late, 20.0)])
    trace = run.trace()
    channels = dict(trace.channels)
    t = np.arange(first, last + 1e-9, 0.05)
    for name, value in (("supply.voltage", 24.0), ("supply.current", 1.0)):
        y = np.full(t.size, value)
        if name == "supply.voltage":
            y[[0, -1]] = 20.0
        channels[name] = replace(channels[name], t=t, y=y)
    found = judge(lab, replace(trace, channels=channels))["voltage-disagreement"]
    assert (found.value < 0.5) is agrees


def test_the_nameplate_is_not_taken_as_exact(lab, run):
    m = judge(lab, run.trace())["current-disagreement"]
    assert m.uncertainty == pytest.approx(10.0 / np.sqrt(3.0), rel=0.2)


def test_resolutions_are_in_percent_of_the_larger(lab, run):
    found = judge(lab, run.trace())
    # 1 mA of 1.5 A, 1 mV of 24 V, 1 rpm (mean of 10 readings) of the larger speed
    assert found["current-disagreement"].resolution == pytest.approx(100.0 * 0.001 / 1.5, rel=0.05)
    assert found["voltage-disagreement"].resolution == pytest.approx(100.0 * 0.001 / 24.0, rel=0.01)
    at_most = 100.0 / np.sqrt(10.0) / 300.0
    assert 0.0 < found["speed-disagreement"].resolution <= at_most


def test_uncertainties_are_in_percent_of_the_larger(lab, run):
    found = judge(lab, run.trace())
    # 0.1 % and 10 mV (readback) of 24 V, rectangular; the board's own 1 % is what is judged
    volts = np.hypot(0.024, 0.010) / np.sqrt(3.0)
    expected = 100.0 * volts / 24.0
    assert found["voltage-disagreement"].uncertainty == pytest.approx(expected, rel=0.01)
    assert found["speed-disagreement"].uncertainty < 0.5 / np.sqrt(3.0)


def test_no_telemetry_at_all(lab, run):
    run.frames = 0
    assert judge(lab, run.trace())["telemetry-loss"].outcome is Outcome.MISSING_DATA


@pytest.mark.parametrize("speed", [0.0, 500.0, 3000.0])
@pytest.mark.parametrize("current", [0.0, 0.1, 5.0])
def test_power_balance_gives_the_current_back(lab, speed, current):
    power = lab.KE * speed * np.pi / 30.0 * current + lab.R * current**2
    assert motor_current(power, speed, lab.KE, lab.R) == pytest.approx(current, abs=1e-12)
    assert motor_current(power, -speed, lab.KE, lab.R) == pytest.approx(current, abs=1e-12)


def test_power_balance_without_resistance_and_with_power_fed_back():
    assert motor_current(10.0, 3000.0, 0.05, 0.0) == pytest.approx(10.0 / (0.05 * 100.0 * np.pi))
    assert motor_current(-3.0, 3000.0, 0.05, 0.6) == 0.0


def test_envelope_and_distance():
    y = np.array([0.0, 1.0, 5.0, 1.0])
    found = envelope(y, 0.005, 0.0)  # one grid step back
    assert found.low.tolist() == [0.0, 0.0, 1.0, 1.0]
    assert found.high.tolist() == [0.0, 1.0, 5.0, 5.0]
    band = Envelope(np.array([1.0]), np.array([2.0]))
    assert [float(band.distance(np.array([x]))[0]) for x in (0.5, 1.5, 4.0)] == [0.5, 0.0, 2.0]


def test_the_expected_current_depends_on_its_inputs_as_its_derivatives_say(lab, run):
    """JCGM 100:2008, 5.1.3: against difference quotients of the power balance itself."""
    speed, current = 2000.0, 1.5
    emf = lab.KE * speed * np.pi / 30.0
    supply, volts = (emf * current + lab.R * current**2) / 24.0, 24.0
    view = View(run.trace(), lab.conditions())
    means = np.array([volts * supply, speed, 1.4, supply])
    found = _sensitivities(view, means, current, False)
    d = 1e-6

    def expected(i=supply, ke=lab.KE, r=lab.R):
        return motor_current(volts * i, speed, ke, r)

    assert expected() == pytest.approx(current)
    assert found[0] == pytest.approx((expected(i=supply + d) - expected(i=supply - d)) / (2 * d))
    relative = (
        (expected(ke=lab.KE * (1.0 - d)) - expected(ke=lab.KE * (1.0 + d))) / (2 * d),
        (expected(r=lab.R * (1.0 - d)) - expected(r=lab.R * (1.0 + d))) / (2 * d),
    )
    assert found[1:] == pytest.approx(relative, rel=1e-4)
    # both constants too large by their limits never change the current by more than one of them
    assert found[1] + found[2] < current
    assert _sensitivities(view, means, supply, True) == (1.0, 0.0, 0.0)


def test_what_the_board_rounds_is_what_it_says(lab, run):
    """Its resolution is part of the disagreement that is judged, and no uncertainty of it."""
    fine = judge(lab, run.trace())
    trace = run.trace()
    coarse = {
        name: replace(c, accuracy=replace(c.accuracy, resolution=50.0 * c.accuracy.resolution))
        for name, c in trace.channels.items()
        if name in ("reported.speed", "reported.voltage")
    }
    found = judge(lab, replace(trace, channels={**trace.channels, **coarse}))
    for name in ("speed-disagreement", "voltage-disagreement"):
        assert found[name].uncertainty == pytest.approx(fine[name].uncertainty)
        assert found[name].resolution > fine[name].resolution
