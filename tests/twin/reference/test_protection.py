"""Each fault: just inside the limit it stays quiet, just outside it trips in the stated time."""

from __future__ import annotations

import numpy as np
import pytest

from hil.twin.port import LEG_FLOAT
from hil.twin.reference import state as st

MS = 20  # periods per millisecond


def running(board, **settings):
    """A board commutating with its rotor standing still in sector 0."""
    b = board(**settings)
    b.feed(b"start,1000\n")
    b.periods(5)
    assert int(b.state["state"]) == st.RUN
    return b


def tripped(b):
    return int(b.state["faults"])


def floating(b):
    return list(b.outputs["drive"]) == [LEG_FLOAT] * 3


def turning(b, periods, rpm=1000.0):
    """Feed Hall codes of a turning rotor for so many periods."""
    order = (0b101, 0b001, 0b011, 0b010, 0b110, 0b100)
    per_sector = 10.0 * 20_000.0 / (4 * rpm)
    for k in range(periods):
        b.inputs["hall"] = order[int(k / per_sector) % 6]
        b.periods(1)


@pytest.mark.parametrize("current", [9.1, -9.1])
def test_over_current_after_three_samples(board, current):
    b = running(board)
    b.inputs["i_bus"] = current
    b.periods(2)
    assert tripped(b) == 0
    b.periods(1)
    assert tripped(b) == st.OVER_CURRENT
    assert floating(b)


def test_two_samples_of_over_current_are_forgiven(board):
    b = running(board)
    for _ in range(20):
        b.inputs["i_bus"] = 12.0
        b.periods(2)
        b.inputs["i_bus"] = 8.9
        b.periods(1)
    assert tripped(b) == 0


def test_over_current_seam_scales_the_trip_alone(board):
    b = running(board, defects={"trip_scale": 0.5})
    b.inputs["i_bus"] = 17.9
    b.periods(10)
    assert tripped(b) == 0
    b.inputs["i_bus"] = 18.1
    b.periods(3)
    assert tripped(b) == st.OVER_CURRENT


def test_hardware_comparator_trips_at_once(board):
    b = running(board)
    b.inputs["buttons"] = 8
    b.periods(1)
    assert tripped(b) == st.OVER_CURRENT


def test_over_voltage_after_half_a_millisecond(board):
    b = running(board)
    b.inputs["v_bus"] = 43.9
    b.periods(200)
    assert tripped(b) == 0
    b.inputs["v_bus"] = 44.1
    b.periods(9)
    assert tripped(b) == 0
    b.periods(1)
    assert tripped(b) == st.OVER_VOLTAGE


def test_over_voltage_is_watched_while_idle(board):
    b = board()
    b.inputs["v_bus"] = 45.0
    b.periods(10)
    assert tripped(b) == st.OVER_VOLTAGE


def test_under_voltage_only_while_turning(board):
    b = board()
    b.inputs["v_bus"] = 0.0
    b.periods(500 * MS)
    assert tripped(b) == 0


@pytest.mark.parametrize(("voltage", "fault"), [(16.1, 0), (15.9, st.UNDER_VOLTAGE)])
def test_under_voltage(board, voltage, fault):
    b = running(board)
    b.inputs["v_bus"] = voltage
    turning(b, 20 * MS)
    assert tripped(b) == fault


def test_a_short_dip_is_forgiven(board):
    b = running(board)
    b.inputs["v_bus"] = 10.0
    turning(b, 2 * MS)
    b.inputs["v_bus"] = 24.0
    turning(b, 100 * MS)
    assert tripped(b) == 0


@pytest.mark.parametrize(
    ("degrees", "fault"),
    [(84.9, 0), (85.1, st.OVER_TEMPERATURE), (-39.0, 0), (-41.0, st.OVER_TEMPERATURE),
     (151.0, st.OVER_TEMPERATURE), (np.nan, st.OVER_TEMPERATURE)],
)  # fmt: skip
def test_over_temperature_and_broken_sensor(board, degrees, fault):
    b = board()
    b.inputs["t_stage"] = degrees
    b.periods(8 * MS)
    assert tripped(b) == 0
    b.periods(4 * MS)
    assert tripped(b) == fault


def test_too_hot_cannot_be_cleared_until_cool(board):
    b = board()
    b.inputs["t_stage"] = 90.0
    b.periods(20 * MS)
    assert b.ask(b"clear\n").startswith(b"refused,clear,2")
    b.inputs["t_stage"] = 60.0
    b.periods(20 * MS)
    assert b.ask(b"clear\n").startswith(b"done,clear")
    assert tripped(b) == 0


def test_stall_at_the_current_limit(board):
    b = running(board)
    b.inputs["i_bus"] = 5.5
    b.periods(149 * MS)
    assert tripped(b) == 0
    b.periods(10 * MS)
    assert tripped(b) == st.STALL


def test_stall_without_current_takes_longer(board):
    b = running(board)
    b.inputs["i_bus"] = 1.0
    b.periods(490 * MS)
    assert tripped(b) == 0
    b.periods(20 * MS)
    assert tripped(b) == st.STALL


def test_a_slow_rotor_at_the_limit_is_not_stalled(board):
    # the partner of the stall: a sector every 100 ms, a little under the continuous current
    b = running(board, continuous_current=6.0)
    b.inputs["i_bus"] = 5.5
    turning(b, 1000 * MS, rpm=25.0)
    assert tripped(b) == 0


@pytest.mark.parametrize(("current", "ms"), [(6.0, 350), (5.0, 778)])
def test_i2t(board, current, ms):
    # (I^2 - Icont^2) t, definition (table M28): 7 A^2 s over 36 - 16, or 25 - 16
    b = running(board)
    b.inputs["i_bus"] = current
    turning(b, (ms - 10) * MS)
    assert tripped(b) == 0
    turning(b, 20 * MS)
    assert tripped(b) == st.OVER_CURRENT


def test_i2t_never_trips_at_the_continuous_current(board):
    b = running(board)
    b.inputs["i_bus"] = 3.95
    turning(b, 3000 * MS)
    assert tripped(b) == 0


@pytest.mark.parametrize("code", [0b000, 0b111])
def test_illegal_hall_codes(board, code):
    b = running(board)
    b.inputs["hall"] = code
    b.periods(4)
    b.inputs["hall"] = 0b101
    b.periods(3 * MS)
    assert tripped(b) == 0
    b.inputs["hall"] = code
    b.periods(2 * MS)
    assert tripped(b) == st.HALL_FAULT


def test_hall_codes_do_not_matter_with_back_emf_sensing(board):
    b = board(sensing="back-emf")
    b.feed(b"start,1000\n")
    b.inputs["hall"] = 0
    b.periods(50 * MS)
    assert (int(b.state["state"]), tripped(b)) == (st.ALIGN, 0)


def test_link_lost_is_off_by_default(board):
    b = running(board)
    turning(b, 2000 * MS)
    assert tripped(b) == 0


def test_link_lost(board):
    b = running(board, link_timeout=0.5)
    for _ in range(4):
        turning(b, 400 * MS)
        b.feed(b"speed,1000\n")
    assert tripped(b) == 0
    turning(b, 505 * MS)
    assert tripped(b) == st.LINK_LOST


def test_stop_button(board):
    b = running(board)
    b.inputs["buttons"] = 1
    b.periods(2 * MS)
    assert int(b.state["state"]) == st.BRAKE


def test_latched_and_the_old_command_does_not_restart(board):
    b = running(board)
    b.inputs["i_bus"] = 10.0
    b.periods(3)
    b.inputs["i_bus"] = 0.0
    b.periods(2000 * MS)
    assert (int(b.state["state"]), tripped(b)) == (st.FAULT, st.OVER_CURRENT)
    assert b.ask(b"start,1000\n").startswith(b"refused,start,2")
    assert b.ask(b"speed,1000\n").startswith(b"done,speed")
    b.periods(100 * MS)
    assert floating(b)
    assert b.ask(b"clear\n").startswith(b"done")
    b.periods(500 * MS)
    assert (int(b.state["state"]), floating(b)) == (st.IDLE, True)
    assert b.ask(b"start,1000\n").startswith(b"done")
    b.periods(2)
    assert not floating(b)


def test_latching_seam(board):
    b = running(board, defects={"latching": 0})
    b.inputs["i_bus"] = 10.0
    b.periods(3)
    assert tripped(b) == st.OVER_CURRENT
    b.inputs["i_bus"] = 0.0
    b.periods(2 * MS)
    assert (int(b.state["state"]), tripped(b)) == (st.IDLE, 0)


@pytest.mark.parametrize("masked", [st.OVER_CURRENT, st.OVER_VOLTAGE, st.OVER_TEMPERATURE])
def test_mask_seam_silences_one_fault(board, masked):
    b = board(defects={"fault_mask": masked})
    b.inputs["i_bus"], b.inputs["v_bus"], b.inputs["t_stage"] = 10.0, 45.0, 90.0
    b.periods(20 * MS)
    assert tripped(b) == (st.OVER_CURRENT | st.OVER_VOLTAGE | st.OVER_TEMPERATURE) & ~masked


def test_leds(board):
    b = board()
    assert int(b.outputs["leds"]) == 0
    b.feed(b"start,1000\n")
    b.periods(1)
    assert int(b.outputs["leds"]) == 1
    b.inputs["buttons"] = 8
    b.periods(1)
    assert int(b.outputs["leds"]) == 2


@pytest.mark.parametrize(
    ("degrees", "limit"), [(25.0, 6.0), (65.0, 6.0), (70.0, 4.0), (77.5, 1.0), (80.0, 0.0)]
)
def test_the_current_limit_falls_on_a_line_with_the_temperature(board, degrees, limit):
    b = board()
    b.inputs["t_stage"] = degrees
    b.periods(MS)
    assert b.state["limit"] == pytest.approx(limit, abs=1e-9)
    assert tripped(b) == 0


def test_a_seam_forgets_the_cold_end_of_the_sensor_after_a_clear(board):
    for forgotten in (0, 1):
        b = board(defects={"sensor_forgotten": forgotten})
        b.inputs["t_stage"] = -60.0
        b.periods(20 * MS)
        assert tripped(b) == st.OVER_TEMPERATURE
        b.inputs["t_stage"] = 25.0
        b.periods(MS)
        assert b.ask(b"clear\n").startswith(b"done")
        b.inputs["t_stage"] = -60.0
        b.periods(20 * MS)
        assert tripped(b) == (0 if forgotten else st.OVER_TEMPERATURE)
