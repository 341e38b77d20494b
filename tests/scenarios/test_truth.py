"""Intervals hold the truth of the simulated bench: a small version of ``ci/truth``."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from hil.core.budget import ACCURACY, Contribution, Shape
from hil.core.trace import Accuracy, Channel, Trace
from hil.measures.power_balance import NAMEPLATE
from hil.scenarios.campaign_task import items_of, rig_of
from hil.scenarios.truth import LOOK, TICK, Witness, drawn_rig, held_against_truth, misread
from hil.scenarios.truth_coverage import Held, coverage

PLAN = str(Path(__file__).parents[2] / "ci/truth.plan.yaml")
RIGS = 4


@pytest.fixture(scope="module")
def cases():
    items, rig = items_of(PLAN), rig_of(PLAN)
    found = []
    for number in range(1, RIGS + 1):
        for name in ("start.back-emf.cw", "step.hall.ccw", "stall.hall.cw"):
            held, problem = held_against_truth(items[name], rig, 3, number)
            assert not problem
            found += held
    return found


def test_most_intervals_hold_the_truth(cases):
    # 95 % over all; of so few cases no less than four in five are asked for
    assert len(cases) > 20 * RIGS
    assert np.mean([c.covered for c in cases]) >= 0.8


def test_errors_are_as_large_as_they_are_said_to_be(cases):
    level = [c for c in cases if c.measure in ("steady-error", "peak-current")]
    z = np.array([(c.value - c.true) / c.uncertainty for c in level])
    assert 0.2 < np.sqrt(np.mean(z**2)) < 1.8
    assert np.any(z != 0.0)


def test_the_same_rig_gives_the_same_cases(cases):
    items, rig = items_of(PLAN), rig_of(PLAN)
    again, _ = held_against_truth(items["start.back-emf.cw"], rig, 3, 1)
    assert again == cases[: len(again)]


def test_rigs_differ_within_what_the_rig_file_states():
    rig = rig_of(PLAN)
    drawn = [drawn_rig(rig, 1, n) for n in range(1, 40)]
    gains = [c.value for v in drawn for c in v.changes if c.path == "drive.sensing.current_gain"]
    limit = rig.telemetry.current_accuracy.limits().relative
    assert max(abs(g - 1.0) for g in gains) <= limit
    assert max(abs(g - 1.0) for g in gains) > 0.8 * limit
    assert drawn[0] == drawn_rig(rig, 1, 1)


def test_misreadings_stay_within_the_data_sheet():
    t = np.arange(0.0, 1.0, 0.001)
    told = Accuracy(0.001, 0.5, 0.0)
    speed = Channel("witness.speed", "rpm", t, np.full(t.size, 1000.0), told, 0.0)
    position = Channel("witness.position", "deg", t, 720.0 * t, Accuracy(0.0, 0.05), 0.0)
    trace = Trace({"witness.speed": speed, "witness.position": position}, (), 1.0)
    errors, bends = [], []
    for seed in range(300):
        other = misread(trace, np.random.default_rng(seed))
        errors.append(float(other.channels["witness.speed"].y[0]) - 1000.0)
        bends.append(float(other.channels["witness.position"].y[0]))
    assert max(map(abs, errors)) <= 1.5
    assert max(map(abs, bends)) <= 0.05
    assert np.std(bends) == pytest.approx(0.05 / np.sqrt(3.0), rel=0.1)  # uniform at any angle


def test_the_table():
    part = (Contribution(ACCURACY, 1.0, Shape.RECTANGULAR),)
    case = Held("start", "ripple", "%", 5.0, 5.5, 1.0, part)
    assert case.half_width == pytest.approx(0.95 * np.sqrt(3.0), abs=0.01)
    assert case.covered
    (line,) = coverage([case, replace(case, true=9.0)])
    assert (line.n, line.held, line.share) == (2, 1, 50.0)
    assert line.bias == pytest.approx(-2.25)
    assert line.limits == pytest.approx((1.258, 98.742), abs=0.001)  # 1 of 2 (Clopper, Pearson)
    assert line.exact == 0
    assert coverage([replace(case, true=case.value)])[0].exact == 1
    exact = Held("start", "dip", "%", 0.0, 0.0, 0.0, ())
    assert exact.covered
    assert not replace(exact, true=0.1).covered


def test_nameplates_are_drawn_within_what_the_measures_allow_for():
    rig = rig_of(PLAN)
    drawn = [drawn_rig(rig, 1, n) for n in range(1, 200)]
    for path in ("drive.motor.back_emf", "drive.motor.resistance"):
        off = np.array([c.value - 1.0 for v in drawn for c in v.changes if c.path == path])
        assert np.max(np.abs(off)) <= NAMEPLATE
        # rectangular, not crowded in the middle
        assert np.std(off) == pytest.approx(NAMEPLATE / np.sqrt(3.0), rel=0.1)


def test_a_temperature_is_told_as_finely_as_the_rig_states():
    t = np.arange(0.0, 100.0, 0.01)
    told = Accuracy(0.0, 0.5, 1.0)
    sensed = Channel("reported.temperature", "degC", t, 30.0 + 0.1 * t, told, 0.0)
    trace = Trace({"reported.temperature": sensed}, (), 100.0)
    errors = []
    for seed in range(300):
        y = misread(trace, np.random.default_rng(seed)).channels["reported.temperature"].y
        assert np.array_equal(y, np.rint(y))
        errors.append(float(y[seed * 30] - sensed.y[seed * 30]))
    # limits of 0.5 K and half a step of 1 K, both rectangular (JCGM 100:2008, 4.3.7)
    assert np.max(np.abs(errors)) <= 1.0
    assert np.std(errors) == pytest.approx(np.sqrt(0.5**2 / 3.0 + 1.0 / 12.0), rel=0.1)


def test_the_true_speed_is_a_mean_over_the_gate_without_interpolation():
    """Looks lie at both ends of the gate about every tick, so that the angle is looked up."""
    witness = Witness.__new__(Witness)
    t = np.arange(0.0, 2.0, LOOK)
    angle = 6.0 * 1000.0 * t + 3.0 * np.sin(2.0 * np.pi * 780.0 * t)  # faster than the ticks tell
    witness.rows = [(a, 0.0, b, *(0.0,) * 8) for a, b in zip(t, angle, strict=True)]
    flat = np.zeros(t.size)
    seen = {
        name: Channel(name, unit, t, flat, interval=0.001)
        for name, unit in (
            ("witness.speed", "rpm"),
            ("supply.voltage", "V"),
            ("supply.current", "A"),
        )
    }
    true = witness.trace(0.0, Trace(seen, (), 1.5), 5.0 * TICK).channels["witness.speed"]
    assert true.interval == LOOK
    at = np.searchsorted(t, 0.75)
    expected = (angle[at + 5] - angle[at - 5]) / (6.0 * 0.005)
    assert true.y[at] == pytest.approx(expected, rel=1e-9)
