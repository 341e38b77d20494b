"""A small stand-in for the simulated drive, so that the bench around it can be tested alone."""

from __future__ import annotations

import binascii
import math
from collections import deque
from collections.abc import Iterator

import numpy as np
import pytest

from hil.twin.instruments.brake import SimulatedBrake
from hil.twin.instruments.supply import SimulatedSupply
from hil.twin.instruments.switch import SimulatedSwitch
from hil.twin.instruments.tachometer import SimulatedTachometer
from hil.twin.world import World

PERIOD = 50e-6  # s, as of a 20 kHz PWM
BYTE_TIME = 10 / 230400  # s


def framed(text: str) -> bytes:
    """A line with its CRC-16/IBM-3740 (the standard library's CCITT polynomial, start 0xFFFF)."""
    body = text.encode()
    return b"%s*%04X\n" % (body, binascii.crc_hqx(body, 0xFFFF))


class FakeDrive:
    """First-order motor (50 ms), a board that speaks a little of the line protocol."""

    def __init__(self) -> None:
        self.time = 0.0
        self.speed = self.target = self.angle = 0.0
        self.voltage = self.limit = self.brake = 0.0
        self.on = self.over_voltage_tripped = False
        self.over_voltage = math.inf
        self.pumped = 0.0  # V above the supply, as after a reversal
        self.lines: dict[str, bool] = {}
        self.broken: list[tuple[str, float]] = []
        self.advances = 0
        self.overheard: list[bytes] = []
        self.silent = False
        self._periods = 0
        self._rx: deque[tuple[float, int]] = deque()
        self._line = bytearray()
        self._rx_free = self._tx_free = 0.0
        self._tx: deque[tuple[float, int]] = deque()
        self._samples: list[tuple[float, float, float]] = []
        self._stream = 0.0
        self._next_frame = math.inf
        self._sequence = 0
        self.firmware_fault = ""
        self.closed = False

    @property
    def load_current(self) -> float:
        return 0.1 + abs(self.speed) / 1000.0 + 10.0 * self.brake if self.on else 0.0

    @property
    def supply_current(self) -> float:
        return min(self.load_current, self.limit)

    @property
    def supply_voltage(self) -> float:
        if not self.on:
            return 0.0
        share = min(1.0, self.limit / self.load_current)
        return self.voltage * share + self.pumped

    def close(self) -> None:
        self.closed = True

    def set_supply(self, voltage: float, current_limit: float, on: bool) -> None:
        self.voltage, self.limit = voltage, current_limit
        self.on = on and not self.over_voltage_tripped

    def set_over_voltage(self, level: float) -> None:
        self.over_voltage = level

    def clear_over_voltage(self) -> None:
        self.over_voltage_tripped = False

    def set_brake(self, torque: float) -> None:
        self.brake = torque

    def set_line(self, line: str, closed: bool) -> None:
        self.lines[line] = closed

    def break_line(self, line: str, seconds: float) -> None:
        self.broken.append((line, seconds))

    def feed(self, data: bytes) -> None:
        self.overheard.append(data)
        for byte in data:
            self._rx_free = max(self._rx_free, self.time) + BYTE_TIME
            self._rx.append((self._rx_free, byte))

    def drain(self) -> bytes:
        out = bytearray()
        while self._tx and self._tx[0][0] <= self.time:
            out.append(self._tx.popleft()[1])
        return bytes(out)

    def shaft_samples(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        block = np.array(self._samples, dtype=float).reshape(-1, 3)
        self._samples.clear()
        return block[:, 0], block[:, 1], block[:, 2]

    def advance(self, seconds: float) -> None:
        self.advances += 1
        left = round(seconds / PERIOD)
        while left > 0:
            to_sample = 20 - self._periods % 20  # one sample a millisecond
            step = min(left, to_sample)
            left -= step
            self._periods += step
            self.time = self._periods * PERIOD
            self._move(step * PERIOD)
            if self._periods % 20 == 0:
                self._samples.append((self.time, self.angle, self.speed))

    def _move(self, dt: float) -> None:
        goal = self.target if self.on and self.brake == 0.0 else 0.0
        self.speed += (goal - self.speed) * -math.expm1(-dt / 0.05)
        self.angle += self.speed * 6.0 * dt
        if self.on and self.supply_voltage > self.over_voltage:
            self.over_voltage_tripped, self.on = True, False
        while self._rx and self._rx[0][0] <= self.time:
            byte = self._rx.popleft()[1]
            if byte == 0x0A:
                self._obey(self._line.decode("latin-1").split("*")[0])
                self._line.clear()
            else:
                self._line.append(byte)
        while self._next_frame <= self.time:
            frame = f"t,{self._sequence},{round(self._next_frame * 1e6)},3,0,{round(self.speed)}"
            self._next_frame += 1.0 / self._stream
            self._sequence = (self._sequence + 1) % 256
            tail = f"{round(self.target)},100,120,{round(self.supply_voltage * 1000)},251"
            self._say(f"{frame},{tail}")

    def _obey(self, line: str) -> None:
        word, _, value = line.strip().partition(",")
        if self.silent or not word:
            return
        if word == "id":
            self._say("id,DOSING-DRIVE,1.0.0,5EED0001")
            return
        if word in {"start", "speed"}:
            self.target = float(value)
        elif word == "stop":
            self.target = 0.0
        elif word == "stream":
            self._stream = float(value)
            self._next_frame = self.time + 1.0 / self._stream if self._stream else math.inf
        self._say(f"done,{word}")

    def _say(self, text: str) -> None:
        for byte in framed(text):
            self._tx_free = max(self._tx_free, self.time) + BYTE_TIME
            self._tx.append((self._tx_free, byte))


SUPPLY = "TCPIP0::127.0.0.1::5025::SOCKET"
TACHOMETER = "TCPIP0::127.0.0.1::5026::SOCKET"
BRAKE = "TCPIP0::127.0.0.1::5027::SOCKET"
SWITCH = "TCPIP0::127.0.0.1::5028::SOCKET"


def build_world(drive: FakeDrive, seed: int = 0) -> World:
    return World(
        drive,
        {
            SUPPLY: SimulatedSupply(drive, seed=seed),
            TACHOMETER: SimulatedTachometer(drive),
            BRAKE: SimulatedBrake(drive, max_torque=2.0),
            SWITCH: SimulatedSwitch(drive),
        },
    )


@pytest.fixture
def drive() -> FakeDrive:
    return FakeDrive()


@pytest.fixture
def world(drive: FakeDrive) -> Iterator[World]:
    """A bench with all four instruments; switched off at the end."""
    built = build_world(drive)
    yield built
    built.close()
    assert not drive.on, "the supply was left on"


@pytest.fixture(scope="session")
def make_world():
    """Builder of further benches: ``make_world(seed=0) -> (world, drive)``."""

    def make(seed: int = 0) -> tuple[World, FakeDrive]:
        drive = FakeDrive()
        return build_world(drive, seed), drive

    return make


@pytest.fixture
def frame_line():
    """``frame_line(text) -> bytes`` of the line protocol."""
    return framed
