"""The regulator on a first-order rotor and winding, away from PWM and commutation."""

from __future__ import annotations

import numpy as np
import pytest

from hil.twin.reference.regulator import limit_voltage, regulate_speed, start_regulating

K, R, L, J, DT = 0.040, 1.2, 1.4e-3, 1.5e-5, 5e-5


class Motor:
    """Direct-current equivalent of the demo motor."""

    def __init__(self, s, load=0.0, torque=0.0):
        self.s, self.load, self.torque = s, load, torque
        self.current = self.speed = 0.0
        s["bus"] = 24.0
        start_regulating(s, 0.0)

    def run(self, goal, seconds, locked=False):
        s, speeds, currents = self.s, [], []
        for _ in range(round(seconds * 1000)):
            s["speed"] = self.speed * 30 / np.pi
            regulate_speed(s, goal, s["proportional"])
            for _ in range(20):
                s["current"] = self.current
                limit_voltage(s)
                emf = K * self.speed
                self.current += DT / L * (float(s["applied"]) - emf - R * self.current)
                drive = K * self.current
                if locked or (self.speed <= 0.0 and abs(drive) < self.load):
                    self.speed = 0.0
                else:
                    self.speed += DT / J * (drive - self.load)
                currents.append(self.current)
            speeds.append(self.speed * 30 / np.pi)
        return np.array(speeds), np.array(currents)


@pytest.mark.parametrize("load", [0.0, 0.03, 0.05])
@pytest.mark.parametrize("goal", [500.0, 2000.0, 4000.0])
def test_reaches_the_set_point_along_the_ramp(record, goal, load):
    motor = Motor(record(), load)
    speeds, _ = motor.run(goal, goal / 4000.0 + 0.5)
    assert speeds.max() < 1.02 * goal
    assert speeds[-100:] == pytest.approx(goal, rel=0.002)
    reached = np.argmax(speeds > 0.95 * goal) / 1000.0
    assert reached == pytest.approx(0.95 * goal / 4000.0, abs=0.08)


def test_locked_rotor_draws_the_limit_and_no_more(record):
    motor = Motor(record())
    _, currents = motor.run(4000.0, 0.5, locked=True)
    assert currents.max() < 6.5
    assert currents[-2000:] == pytest.approx(6.0, abs=0.05)


def test_a_rotor_stopped_at_full_speed_stays_below_the_trip(record):
    motor = Motor(record(), 0.03)
    motor.run(4000.0, 1.5)
    motor.load = 0.5  # 20 ms to standstill
    _, currents = motor.run(4000.0, 0.3)
    assert currents.max() < 9.0
    assert currents[-1000:] == pytest.approx(6.0, abs=0.1)


def test_release_after_being_held_overshoots_little(record):
    motor = Motor(record(), 0.03)
    motor.run(2000.0, 1.0)
    motor.run(2000.0, 1.0, locked=True)
    speeds, _ = motor.run(2000.0, 1.5)
    assert speeds.max() < 1.10 * 2000.0
    assert speeds[-100:] == pytest.approx(2000.0, rel=0.005)


def test_without_tracking_the_integrator_winds_up(record):
    # the seam must have the consequence it is there for
    peaks = []
    for defects in ({}, {"tracking": 0.0}):
        motor = Motor(record(defects=defects), 0.03)
        motor.run(2000.0, 1.0)
        motor.run(2000.0, 1.0, locked=True)
        peaks.append(motor.run(2000.0, 1.5)[0].max())
    assert peaks[1] > 1.3 * peaks[0]


def test_current_scale_seam_moves_the_limit(record):
    motor = Motor(record(defects={"current_scale": 0.8}))
    _, currents = motor.run(4000.0, 0.5, locked=True)
    assert currents[-2000:] == pytest.approx(7.5, abs=0.1)


def test_deceleration_feeds_back_no_more_than_allowed(record):
    s = record(slope=200_000.0)
    motor = Motor(s)
    motor.run(4000.0, 1.0)
    speeds, currents = motor.run(500.0, 1.0)
    assert currents.min() > -2.6
    assert currents.min() < -1.8
    assert speeds[-1] == pytest.approx(500.0, rel=0.01)


def test_nothing_is_fed_back_into_a_full_dc_link(record):
    s = record(slope=200_000.0)
    motor = Motor(s)
    motor.run(4000.0, 1.0)
    s["bus"] = 39.0
    _, currents = motor.run(500.0, 0.3)
    assert currents.min() > -0.3


def test_the_voltage_stays_within_what_the_bridge_can_make(record):
    s = record()
    s["bus"] = 20.0
    start_regulating(s, 0.0)
    for proposed, expected in ((50.0, 0.98 * 20.0), (-10.0, 0.02 * 20.0)):
        s["proposed"] = s["ceiling"] = s["floor"] = proposed
        s["current"] = 0.0
        limit_voltage(s)
        assert s["applied"] == pytest.approx(expected)


def test_starting_at_speed_makes_no_jump(record):
    s = record()
    s["bus"] = 24.0
    s["speed"] = 1500.0
    start_regulating(s, 1500.0)
    first = float(s["proposed"])
    assert first == pytest.approx(1500.0 * 2 * np.pi / 60 * K + 0.3 * R)
    s["applied"] = first
    regulate_speed(s, 1500.0, s["proportional"])
    assert s["proposed"] == pytest.approx(first, abs=0.01)
