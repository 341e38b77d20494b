"""The pieces of the kernel, each by itself."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.twin.kernel_bridge import BOTH_OFF, HIGH_ON, LOW_ON, edges, gate, idle_neutral, path
from hil.twin.kernel_heat import copper_ratio
from hil.twin.kernel_motor import hall_pattern, trapezoid
from hil.twin.kernel_step import zero_crossing
from hil.twin.port import LEG_ASYNC, LEG_FLOAT, LEG_SYNC

PERIOD = 50e-6


def phase_a(turns: float, steepness: float) -> float:
    """Back-EMF of phase A, whose flat is centred on a quarter turn."""
    return trapezoid(turns - 0.25, steepness)


class TestBackEmf:
    def test_flat_from_30_to_150_degrees(self):
        degrees = np.arange(30, 151)
        assert [phase_a(d / 360, 3.0) for d in degrees] == pytest.approx([1.0] * 121)
        assert [phase_a(d / 360, 3.0) for d in degrees + 180] == pytest.approx([-1.0] * 121)

    def test_rises_through_zero_at_zero(self):
        assert phase_a(0.0, 3.0) == pytest.approx(0, abs=1e-12)
        assert phase_a(15 / 360, 3.0) == pytest.approx(0.5)
        assert phase_a(-15 / 360, 3.0) == pytest.approx(-0.5)
        assert phase_a(165 / 360, 3.0) == pytest.approx(0.5)

    @settings(deadline=None)  # the first call compiles
    @given(turns=st.floats(-1e4, 1e4), flat=st.floats(60, 170))
    def test_is_odd_and_antiperiodic(self, turns, flat):
        steepness = 180 / (180 - flat)
        here = phase_a(turns, steepness)
        assert -1 <= here <= 1
        assert phase_a(-turns, steepness) == pytest.approx(-here, abs=1e-6)
        assert phase_a(turns + 0.5, steepness) == pytest.approx(-here, abs=1e-6)

    @pytest.mark.parametrize("flat", [60, 90, 120, 150, 170])
    def test_the_flat_has_the_width_asked_for(self, flat):
        turns = np.linspace(0, 1, 36001)[:-1]
        values = np.array([phase_a(t, 180 / (180 - flat)) for t in turns])
        assert (values > 1 - 1e-9).mean() * 360 == pytest.approx(flat, abs=0.03)


class TestHallSensors:
    def test_six_patterns_in_order_every_60_degrees(self):
        rising = (30 / 360, 150 / 360, 270 / 360)
        seen = [hall_pattern(d / 360, *rising, 0, 7) for d in range(35, 395, 60)]
        assert seen == [0b101, 0b001, 0b011, 0b010, 0b110, 0b100]
        for before, after in zip(seen, seen[1:] + seen[:1], strict=True):
            assert bin(before ^ after).count("1") == 1

    def test_broken_lines_read_high_and_inverted_ones_flip(self):
        assert hall_pattern(0.0, 0.1, 0.2, 0.3, 0, 0) == 0b111
        assert hall_pattern(0.0, 0.1, 0.2, 0.3, 0b101, 7) == 0b101
        assert hall_pattern(0.0, 0.1, 0.2, 0.3, 0, 0b011) == 0b100


class TestGates:
    @settings(deadline=None)  # the first call compiles
    @given(
        drive=st.sampled_from([LEG_FLOAT, LEG_SYNC, LEG_ASYNC]),
        duty=st.floats(0, 1),
        dead=st.floats(0, 5e-6),
    )
    def test_each_gate_is_on_for_its_share(self, drive, duty, dead):
        times = edges(drive, duty, PERIOD, dead)
        now, on = 0.0, {BOTH_OFF: 0.0, LOW_ON: 0.0, HIGH_ON: 0.0}
        for _ in range(6):
            state, following = gate(now, *times)
            end = min(following, PERIOD)
            on[state] += end - now
            now = end
            if now >= PERIOD:
                break
        assert now == PERIOD
        if drive == LEG_FLOAT:
            assert on == {BOTH_OFF: PERIOD, LOW_ON: 0, HIGH_ON: 0}
            return
        switched = 0 < duty < 1 and drive == LEG_SYNC
        ideal = duty * PERIOD
        assert on[HIGH_ON] == pytest.approx(max(0.0, ideal - dead * switched), abs=1e-15)
        low = PERIOD - ideal if drive == LEG_SYNC else 0.0
        assert on[LOW_ON] == pytest.approx(max(0.0, low), abs=1.01 * dead * switched + 1e-15)

    @settings(deadline=None)  # the first call compiles
    @given(duty=st.floats(0.01, 0.99))
    def test_pulses_are_centred(self, duty):
        low_off, high_on, high_off, low_on, rest = edges(LEG_SYNC, duty, PERIOD, 0.0)
        assert rest == LOW_ON
        assert (low_off, low_on) == (high_on, high_off)
        assert high_on + high_off == pytest.approx(PERIOD)

    def test_whole_periods_have_no_edges(self):
        for drive, duty, state in (
            (LEG_SYNC, 0.0, LOW_ON),
            (LEG_SYNC, 1.0, HIGH_ON),
            (LEG_ASYNC, 0.0, BOTH_OFF),
            (LEG_ASYNC, 1.0, HIGH_ON),
        ):
            assert gate(0.0, *edges(drive, duty, PERIOD, 1e-6)) == (state, math.inf)

    def test_current_finds_its_diode(self):
        assert [path(BOTH_OFF, i) for i in (1.0, -1.0, 0.0)] == [3, 4, 0]
        assert [path(BOTH_OFF, i) for i in (1e-15, -1e-15)] == [0, 0]  # rounding is no current
        assert [path(HIGH_ON, i) for i in (1.0, -1.0, 0.0)] == [2, 2, 2]

    def test_an_idle_star_point_keeps_the_terminals_above_the_rail(self):
        assert idle_neutral(0.0, 0.0, 0.0, 0.8) == 0
        assert idle_neutral(5.0, -5.0, 1.0, 0.8) == pytest.approx(4.2)
        assert idle_neutral(0.5, -0.5, 0.1, 0.8) == 0


@settings(deadline=None)  # the first call compiles
@given(start=st.floats(0.01, 10), slope=st.floats(-1e6, -1e3), bend=st.floats(-0.2, 0.2))
def test_zero_crossing_of_a_parabola(start, slope, bend):
    h = 3 * start / -slope
    change = h * slope * (1 + bend)
    t = zero_crossing(start, slope, change, h)
    left = start + slope * t + (change / h - slope) / h * t * t
    assert abs(left) < 0.01 * start
    assert 0 < t < h


def test_copper_coefficient():
    """H4: 1.314342 from 20 to 100 degC with the constant 234.5."""
    assert copper_ratio(100.0, 20.0) == pytest.approx(1.314342, rel=1e-6)
    assert copper_ratio(25.0, 25.0) == 1.0
