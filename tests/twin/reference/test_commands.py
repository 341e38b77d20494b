"""Which command is refused in which state; answers on the wire are in the protocol tests."""

from __future__ import annotations

import pytest

from hil.twin.reference import state as st
from hil.twin.reference.commands import (
    BUSY,
    CLEAR,
    DONE,
    IDENTIFY,
    LATCHED,
    RANGE,
    SENSE,
    SPEED,
    START,
    STOP,
    STREAM,
    UNKNOWN,
    execute,
)

TURNING = [st.ALIGN, st.RAMP, st.RUN, st.BRAKE]


def in_state(record, state, **fields):
    s = record()
    s["bus"] = 24.0
    s["sector"] = 0
    s["state"] = state
    s["faults"] = st.STALL if state == st.FAULT else 0
    s["direction"] = 1
    for name, value in fields.items():
        s[name] = value
    return s


@pytest.mark.parametrize("speed", [500, -500, 4000, -4000, 1234])
def test_start_from_idle(record, speed):
    s = in_state(record, st.IDLE)
    assert execute(s, START, speed) == DONE
    assert (s["state"], s["target"], s["wanted"]) == (st.RUN, speed, 1)
    assert s["direction"] == (1 if speed > 0 else -1)


def test_start_with_back_emf_sensing_aligns_first(record):
    s = in_state(record, st.IDLE, sensing=st.SENSE_BACK_EMF)
    assert execute(s, START, -800) == DONE
    assert (s["state"], s["direction"]) == (st.ALIGN, -1)


def test_start_at_zero_speed_moves_nothing(record):
    s = in_state(record, st.IDLE)
    assert execute(s, START, 0) == DONE
    assert (s["state"], s["wanted"]) == (st.IDLE, 0)


@pytest.mark.parametrize("speed", [499, -499, 1, 4001, -4001, 32767])
@pytest.mark.parametrize("command", [START, SPEED])
@pytest.mark.parametrize("state", [st.IDLE, st.RUN])
def test_speeds_out_of_range(record, speed, command, state):
    s = in_state(record, state, target=1000.0)
    assert execute(s, command, speed) == RANGE
    assert (s["target"], s["state"]) == (1000.0, state)


def test_range_seam_lets_any_speed_pass(record):
    s = record(defects={"check_range": 0})
    assert execute(s, SPEED, 9000) == DONE
    assert s["target"] == 9000


def test_start_is_refused_while_a_fault_is_latched_whatever_its_value(record):
    s = in_state(record, st.FAULT)
    assert execute(s, START, 1000) == LATCHED
    assert execute(s, START, 9999) == LATCHED
    assert (s["state"], s["wanted"]) == (st.FAULT, 0)


def test_speed_is_remembered_through_a_fault_but_starts_nothing(record):
    s = in_state(record, st.FAULT)
    assert execute(s, SPEED, 1500) == DONE
    assert execute(s, CLEAR, 0) == DONE
    assert (s["state"], s["target"], s["wanted"]) == (st.IDLE, 1500, 0)


def test_speed_alone_never_starts_an_idle_drive(record):
    s = in_state(record, st.IDLE)
    assert execute(s, SPEED, 1500) == DONE
    assert (s["state"], s["wanted"]) == (st.IDLE, 0)


def test_only_a_start_ends_a_stop(record):
    s = in_state(record, st.RUN, wanted=1, target=1000.0)
    execute(s, STOP, 0)
    execute(s, SPEED, 1500)
    assert s["wanted"] == 0
    execute(s, START, 1500)
    assert s["wanted"] == 1


@pytest.mark.parametrize("state", [*TURNING, st.FAULT])
def test_sensing_changes_only_while_idle(record, state):
    s = in_state(record, state)
    assert execute(s, SENSE, 1) == BUSY
    assert s["sensing"] == st.SENSE_HALL


def test_sensing_in_idle(record):
    s = in_state(record, st.IDLE)
    assert execute(s, SENSE, 1) == DONE
    assert s["sensing"] == st.SENSE_BACK_EMF
    assert execute(s, SENSE, 2) == RANGE
    assert execute(s, SENSE, -1) == RANGE
    assert s["sensing"] == st.SENSE_BACK_EMF


def test_clear(record):
    s = in_state(record, st.FAULT)
    assert execute(s, CLEAR, 0) == DONE
    assert (s["state"], s["faults"]) == (st.IDLE, 0)


def test_clear_is_refused_while_the_rotor_coasts_fast(record):
    s = in_state(record, st.FAULT, coasting=201.0)
    assert execute(s, CLEAR, 0) == BUSY
    assert s["faults"] == st.STALL


@pytest.mark.parametrize(
    "cause", [{"bus": 44.1}, {"temperature": 85.5}, {"temperature": float("nan")}]
)
def test_clear_is_refused_while_the_cause_persists(record, cause):
    s = in_state(record, st.FAULT, **cause)
    assert execute(s, CLEAR, 0) == LATCHED
    assert s["state"] == st.FAULT


@pytest.mark.parametrize("state", [st.IDLE, *TURNING])
def test_clear_without_a_fault_changes_nothing(record, state):
    s = in_state(record, state)
    assert execute(s, CLEAR, 0) == DONE
    assert s["state"] == state


def test_restart_seam(record):
    s = record(defects={"restarting": 1})
    s["bus"], s["sector"], s["state"], s["faults"] = 24.0, 0, st.FAULT, st.STALL
    s["wanted"], s["target"] = 1, 1000.0
    assert execute(s, CLEAR, 0) == DONE
    assert s["state"] == st.RUN


def test_stream(record):
    s = in_state(record, st.IDLE)
    assert execute(s, STREAM, 200) == DONE
    assert s["stream_ticks"] == 100
    assert execute(s, STREAM, 1001) == RANGE
    assert s["stream_ticks"] == 100
    assert execute(s, STREAM, 0) == DONE
    assert s["stream_ticks"] == 0


def test_start_without_supply_is_an_under_voltage_fault(record):
    s = in_state(record, st.IDLE, bus=15.9)
    assert execute(s, START, 1000) == DONE
    assert (s["state"], s["faults"]) == (st.FAULT, st.UNDER_VOLTAGE)


def test_start_without_hall_sensors_is_a_hall_fault(record):
    s = in_state(record, st.IDLE, sector=-1)
    assert execute(s, START, 1000) == DONE
    assert (s["state"], s["faults"]) == (st.FAULT, st.HALL_FAULT)


def test_every_command_counts_as_a_sign_of_life(record):
    for command in (IDENTIFY, SPEED, STOP, CLEAR, SENSE, STREAM, 99):
        s = in_state(record, st.IDLE, tick=5000)
        execute(s, command, 0)
        assert s["heard_at"] == 5000


@pytest.mark.parametrize("command", [0, 8, 255])
def test_unknown(record, command):
    assert execute(in_state(record, st.IDLE), command, 0) == UNKNOWN
