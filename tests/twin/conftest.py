"""Small firmwares to run a simulated drive with."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numba import carray

from hil.bench.simulate import world_for
from hil.plan.load import load_rig
from hil.twin.jit import c_function, compiled_before, compiling, moved
from hil.twin.port import (
    BUFFER_SIZE,
    INPUTS,
    INPUTS_AT,
    OUTPUTS,
    PERIOD,
    RECEIVE,
    RX_AT,
    STATE_AT,
    TRANSMIT,
    TX_AT,
    FirmwareBinding,
    new_block,
)

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


@pytest.fixture(scope="session", autouse=True)
def _machine_code() -> None:
    """Where there is none yet, making it takes longer than links and watchdogs wait."""
    with compiling:
        if compiled_before():
            return
        world = world_for(load_rig(RIG), 1)
        world.drive.advance(1.7e-3)
        assert math.isfinite(world.drive.speed_rpm)  # what reads the state is compiled, too
        world.close()


#: Variables of the scripted firmware; a test sets them from outside.
STATE = np.dtype(
    [
        ("mode", "i8"),  # 0 float, 1 commutate by Hall sensors, 2 fixed outputs
        ("direction", "i8"),
        ("low_drive", "u1"),
        ("high_drive", "u1"),
        ("duty", "f4"),
        ("fixed_drive", "u1", (3,)),
        ("fixed_duty", "f4", (3,)),
        ("calls", "i8"),
        ("echo", "u1", (256,)),
        ("head", "i8"),
        ("tail", "i8"),
        ("received_at", "f8"),
        ("time", "f8"),
        ("greedy", "i8"),
    ],
    align=True,
)


@c_function(PERIOD)
def _period(inputs, outputs):
    i = carray(inputs, 1, INPUTS)[0]
    o = carray(outputs, 1, OUTPUTS)[0]
    s = carray(moved(inputs, STATE_AT - INPUTS_AT), 1, STATE)[0]
    s.calls += 1
    s.time = i.time
    for leg in range(3):
        o.drive[leg] = 0
        o.duty[leg] = 0.0
    if s.mode == 2:
        for leg in range(3):
            o.drive[leg] = s.fixed_drive[leg]
            o.duty[leg] = s.fixed_duty[leg]
    if s.mode == 1:
        high, low = -1, -1
        hall = i.hall
        if hall == 0b101:
            high, low = 0, 1
        elif hall == 0b001:
            high, low = 0, 2
        elif hall == 0b011:
            high, low = 1, 2
        elif hall == 0b010:
            high, low = 1, 0
        elif hall == 0b110:
            high, low = 2, 0
        elif hall == 0b100:
            high, low = 2, 1
        if s.direction < 0:
            high, low = low, high
        if high >= 0:
            o.drive[high] = s.high_drive
            o.duty[high] = s.duty
            o.drive[low] = s.low_drive


@c_function(RECEIVE)
def _receive(data, count):
    given = carray(data, BUFFER_SIZE, np.uint8)
    s = carray(moved(data, STATE_AT - RX_AT), 1, STATE)[0]
    for k in range(count):
        s.echo[s.head % 256] = given[k]
        s.head += 1
    s.received_at = s.time


@c_function(TRANSMIT)
def _transmit(data, capacity):
    room = carray(data, BUFFER_SIZE, np.uint8)
    s = carray(moved(data, STATE_AT - TX_AT), 1, STATE)[0]
    if s.greedy > 0:
        return capacity + 1
    count = 0
    while count < capacity and s.tail < s.head:
        room[count] = s.echo[s.tail % 256]
        s.tail += 1
        count += 1
    return count


class Scripted(FirmwareBinding):
    """A firmware that does what the test writes into its variables, and echoes serial bytes."""

    @property
    def set(self):
        return self.state(STATE)

    def commutate(self, duty, direction=1, high=1, low=1):
        s = self.set
        s["mode"], s["duty"], s["direction"] = 1, duty, direction
        s["high_drive"], s["low_drive"] = high, low
        return self

    def hold(self, drive, duty):
        s = self.set
        s["mode"], s["fixed_drive"], s["fixed_duty"] = 2, drive, duty
        return self

    def coast(self):
        self.set["mode"] = 0
        return self


def _no_reset(_pwm_hz: float) -> None:
    """The test sets the variables beforehand."""


def new_scripted() -> Scripted:
    """A scripted firmware of its own."""
    return Scripted(
        "scripted",
        _period.address,
        _receive.address,
        _transmit.address,
        new_block(STATE.itemsize),
        _no_reset,
    )


@pytest.fixture
def scripted():
    """Make a scripted firmware."""
    return new_scripted
