"""The reference firmware on a bare block of memory, and on the simulated drive."""

from __future__ import annotations

import ctypes
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from hil.twin.drive import Drive
from hil.twin.load import LoadParameters
from hil.twin.parameters import DriveParameters
from hil.twin.port import BUFFER_SIZE, INPUTS, INPUTS_AT, OUTPUTS_AT, RX_AT, TX_AT
from hil.twin.reference import ReferenceSettings, binding
from hil.twin.reference.settings import load
from hil.twin.reference.state import STATE

PWM = 20_000.0
_CALL = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_void_p)
_GIVE = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_int)
_TAKE = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int)


class Board:
    """The firmware called through the C functions of the port, with inputs set by hand."""

    def __init__(self, protocol: str = "lines", **settings: Any) -> None:
        self.binding = binding(protocol, ReferenceSettings(**settings))
        self.binding.reset(PWM)
        self.inputs = self.binding.inputs()
        self.outputs = self.binding.outputs()
        self.state = self.binding.state(STATE)
        self.inputs["v_bus"] = 24.0
        self.inputs["v_phase"] = 0.0
        self.inputs["i_phase"] = np.nan
        self.inputs["t_stage"] = 25.0
        self.inputs["hall"] = 0b101
        self.periods(100)

    def periods(self, count: int) -> None:
        period = _CALL(self.binding.period)
        base = self.binding.address
        for _ in range(count):
            period(base + INPUTS_AT, base + OUTPUTS_AT)
            self.inputs["time"] += 1.0 / PWM

    def feed(self, data: bytes) -> None:
        receive = _GIVE(self.binding.receive)
        for start in range(0, len(data), BUFFER_SIZE):
            part = data[start : start + BUFFER_SIZE]
            self.binding.block[RX_AT : RX_AT + len(part)] = np.frombuffer(part, np.uint8)
            receive(self.binding.address + RX_AT, len(part))

    def take(self, capacity: int = BUFFER_SIZE) -> bytes:
        transmit = _TAKE(self.binding.transmit)
        data = b""
        while count := transmit(self.binding.address + TX_AT, capacity):
            data += self.binding.block[TX_AT : TX_AT + count].tobytes()
        return data

    def ask(self, data: bytes) -> bytes:
        self.take()
        self.feed(data)
        return self.take()


@pytest.fixture
def board() -> Callable[..., Board]:
    """Make a board: ``board(protocol, **settings)``; 24 V, rotor standing in sector 0."""
    return Board


@pytest.fixture
def record() -> Callable[..., Any]:
    """Make the firmware's variables alone, after reset: ``record(**settings)``."""

    def make(**settings: Any) -> Any:
        state = np.zeros(1, STATE)[0]
        load(state, ReferenceSettings(**settings), "lines", PWM)
        return state

    return make


@pytest.fixture
def sampled() -> Any:
    """One record of inputs: 24 V, no current, 25 degC."""
    inputs = np.zeros(1, INPUTS)[0]
    inputs["v_bus"] = 24.0
    inputs["t_stage"] = 25.0
    return inputs


class Rig:
    """The simulated drive of the demo pump with the reference firmware on it."""

    def __init__(
        self,
        sensing: str = "hall",
        *,
        angle: float = 0.0,
        load: float = 0.03,
        pulsation: float = 0.012,
        voltage: float = 24.0,
        seed: int = 1,
        motor: dict[str, Any] | None = None,
        bridge: dict[str, Any] | None = None,
        **settings: Any,
    ) -> None:
        base = DriveParameters()
        parameters = replace(
            base,
            motor=replace(base.motor, initial_angle_deg=angle, **(motor or {})),
            bridge=replace(base.bridge, **(bridge or {})),
            load=LoadParameters(mean=load, pulsation=pulsation, pulses=3),
        )
        firmware = binding("lines", ReferenceSettings(sensing=sensing, **settings))
        self.drive = Drive(parameters, firmware, seed)
        self.state = firmware.state(STATE)
        self.drive.set_supply(voltage, 10.0, True)
        self.drive.advance(0.05)

    def ask(self, line: str) -> str:
        """Send a command, wait for the line to carry both ways, return what came back."""
        self.drive.drain()
        self.drive.feed(line.encode() + b"\n")
        self.drive.advance(0.005)
        return self.drive.drain().decode()

    def speeds(self, seconds: float) -> Any:
        """Let time pass; true speed at 1 kHz, rpm."""
        self.drive.shaft_samples()
        self.drive.advance(seconds)
        return self.drive.shaft_samples()[2]

    def watch(self, seconds: float) -> Any:
        """Let time pass; rows of (ms, state, true speed, faults), one a millisecond."""
        rows = []
        for ms in range(round(seconds * 1000)):
            self.drive.advance(0.001)
            rows.append((ms, self.state["state"], self.drive.speed_rpm, self.state["faults"]))
        return np.array(rows)


@pytest.fixture
def rig() -> Callable[..., Rig]:
    """Make a rig: ``rig(sensing, angle=..., load=..., voltage=..., **settings)``."""
    return Rig
