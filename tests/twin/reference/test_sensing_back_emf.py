"""Zero crossings of a made-up trapezoidal back-EMF, sampled as the port samples it."""

from __future__ import annotations

import numpy as np
import pytest

from hil.twin.reference.sensing_back_emf import watch_back_emf
from hil.twin.reference.sixstep import FLOATING
from hil.twin.reference.state import RUN

PWM = 20_000.0
BUS = 24.0


def shape(degrees):
    """Back-EMF of phase A over its amplitude: rises through 0 at 0, flat from 30 to 150 degrees."""
    return float(np.interp(degrees % 360, [0, 30, 150, 210, 330, 360], [0, 1, 1, -1, -1, 0]))


class Turning:
    """A rotor at constant speed, its floating phase sampled in the middle of each period."""

    def __init__(self, s, inputs, rpm, poles=4, start=0.0, offset=0.0, emf_per_rpm=0.0021):
        self.s, self.inputs, self.offset = s, inputs, offset
        self.rate = rpm * poles * 6.0 / PWM  # electrical degrees per tick
        self.start = start
        self.amplitude = emf_per_rpm * rpm
        self.commutations = []

    def angle(self, tick):
        return self.start + self.rate * tick

    def run(self, ticks):
        s = self.s
        for _ in range(ticks):
            s["tick"] += 1
            floating = FLOATING[s["pattern"]]
            seen = self.angle(s["tick"] - 0.5) - 120 * floating
            self.inputs["v_phase"][floating] = BUS / 2 + self.offset + self.amplitude * shape(seen)
            before = int(s["pattern"])
            watch_back_emf(s, self.inputs)
            if int(s["pattern"]) != before:
                self.commutations.append((before, int(s["tick"]), self.angle(s["tick"])))


def prepared(record, rpm, poles, direction, pattern, **settings):
    s = record(pole_pairs=poles, **settings)
    s["state"] = RUN
    s["direction"] = direction
    s["motion"] = direction
    s["pattern"] = pattern
    s["interval"] = 10.0 * PWM / (poles * rpm)
    return s


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("rpm", [400.0, 1100.0, 3000.0, 4000.0])
def test_commutates_at_the_borders_of_the_sectors(record, sampled, rpm, direction):
    s = prepared(record, rpm, 4, direction, 0 if direction > 0 else 3)
    # clockwise sector 0 spans 30 to 90 degrees; backwards pattern 3 serves it from 90 down to 30
    rotor = Turning(s, sampled, direction * rpm, start=30.0 if direction > 0 else 90.0)
    rotor.amplitude = abs(rotor.amplitude) * direction  # the EMF reverses with the speed
    rotor.run(int(20 * s["interval"]))
    assert len(rotor.commutations) >= 18
    for pattern, _, angle in rotor.commutations[3:]:
        sector = pattern if direction > 0 else (pattern + 3) % 6
        ideal = 30.0 + 60.0 * sector + (60.0 if direction > 0 else 0.0)
        error = (angle - ideal + 180.0) % 360.0 - 180.0
        # half a period either side is all that a whole number of periods allows
        assert abs(error) <= 0.5 * abs(rotor.rate) + 0.1
    assert s["missed"] == 0


@pytest.mark.parametrize(
    ("rpm", "poles", "delay"),
    # table M24 (V-CD): 30 electrical degrees after the crossing, 1 / (12 f_e)
    [(3000.0, 4, 416.667e-6), (6000.0, 7, 119.048e-6)],
)
def test_thirty_degrees_after_the_crossing(record, sampled, rpm, poles, delay):
    s = prepared(record, rpm, poles, 1, 0, blank=0.0)
    rotor = Turning(s, sampled, rpm, poles, start=30.0)
    waits = []
    for _ in range(int(30 * s["interval"])):
        crossed = s["crossed"]
        rotor.run(1)
        if s["crossed"] and not crossed:
            waits.append((s["due"] - s["times"][s["head"]]) / PWM)
    assert len(waits) > 20
    assert waits[5:] == pytest.approx([delay] * len(waits[5:]), abs=1e-9)


def test_crossings_are_interpolated_between_samples(record, sampled):
    s = prepared(record, 1500.0, 4, 1, 0)
    rotor = Turning(s, sampled, 1500.0, start=31.7)
    rotor.run(400)
    angles = [rotor.angle(t) for t in s["times"]]
    for angle in angles:
        assert (angle + 0.01) % 60.0 < 0.02  # crossings lie at multiples of 60 degrees


def test_a_voltage_offset_shifts_crossings_but_not_the_speed(record, sampled):
    from hil.twin.reference.speed import estimate_speed

    s = prepared(record, 1500.0, 4, 1, 0)
    rotor = Turning(s, sampled, 1500.0, start=30.0, offset=0.4)
    rotor.run(1000)
    estimate_speed(s)
    assert s["missed"] == 0
    assert s["speed"] == pytest.approx(1500.0, rel=1e-3)


def test_samples_at_a_rail_are_not_back_emf(record, sampled):
    s = prepared(record, 1500.0, 4, 1, 1)
    for volts in (0.0, BUS, BUS + 0.8, -0.8):
        for _ in range(8):
            s["tick"] += 1
            sampled["v_phase"][FLOATING[1]] = volts
            watch_back_emf(s, sampled)
    assert (s["armed"], s["crossed"], s["good"]) == (0, 0, 0)


def test_blanking_after_a_commutation(record, sampled):
    s = prepared(record, 1000.0, 4, 1, 1)  # 50 ticks a sector, 5 of them blank
    sampled["v_phase"][FLOATING[1]] = BUS / 2 - 1.0
    armed_at = None
    for _ in range(12):
        s["tick"] += 1
        watch_back_emf(s, sampled)
        if armed_at is None and s["armed"]:
            armed_at = int(s["tick"])
    assert armed_at == 6


def test_a_standing_rotor_makes_no_crossing_and_runs_out_of_patience(record, sampled):
    s = prepared(record, 1000.0, 4, 1, 0)
    generator = np.random.default_rng(5)
    for _ in range(2000):
        s["tick"] += 1
        sampled["v_phase"][:] = BUS / 2 + 0.03 * generator.standard_normal(3)
        watch_back_emf(s, sampled)
    assert s["good"] == 0
    assert s["missed"] >= 20


def test_a_rotor_ahead_is_caught_up_with_at_once(record, sampled):
    s = prepared(record, 1000.0, 4, 1, 0)
    rotor = Turning(s, sampled, 1000.0, start=30.0 + 95.0)  # one and a half sectors ahead
    rotor.run(600)
    first = rotor.commutations[0]
    assert first[1] <= 10
    pattern, _, angle = rotor.commutations[-1]
    assert (angle - 90.0 - 60.0 * pattern + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1.0)
    assert s["good"] > 5


@pytest.mark.parametrize(("direction", "expected"), [(1, 2.0), (-1, 5.0)])
def test_lag_seams_delay_the_commutation(record, sampled, direction, expected):
    due = []
    for defects in ({}, {"lag": 2.0, "lag_reverse": 3.0}):
        s = prepared(record, 1000.0, 4, direction, 0 if direction > 0 else 3, defects=defects)
        rotor = Turning(s, sampled, direction * 1000.0, start=30.0 if direction > 0 else 90.0)
        rotor.amplitude = abs(rotor.amplitude) * direction
        while not s["crossed"]:
            rotor.run(1)
        due.append(float(s["due"]))
    assert due[1] - due[0] == pytest.approx(expected)
