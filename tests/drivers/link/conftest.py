"""Boards at the other end of a pseudo-terminal, one for every example profile."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from hil.drivers.scripted import ScriptedBoard
from hil.drivers.serial_board import SerialBoardConfig, open_board
from hil.plan.load import load_profile
from hil.ports.clock import WallClock

PROFILES = Path(__file__).parents[3] / "testplans" / "profiles"
#: Every shipped profile that is no Modbus profile.
FRAMED = tuple(
    str(path.relative_to(PROFILES)).removesuffix(".profile.yaml")
    for path in sorted(PROFILES.rglob("*.profile.yaml"))
    if "kind: modbus" not in path.read_text(encoding="utf-8")
)


def load(name: str):
    return load_profile(PROFILES / f"{name}.profile.yaml")


@pytest.fixture
def profiles():
    """Load a shipped profile by its name."""
    return load


@pytest.fixture(params=FRAMED)
def framed(request):
    """Each shipped profile but the Modbus one."""
    return load(request.param)


@pytest.fixture(params=[name for name in FRAMED if name != "examples/lines-console"])
def streamed(request):
    """Each of them that streams, which is all but the console."""
    return load(request.param)


@pytest.fixture(params=[name for name in FRAMED if name != "examples/nmea"])
def acknowledged(request):
    """Each of them that acknowledges commands, which is all but the sentences."""
    return load(request.param)


class Pair:
    """Two ends of a raw pseudo-terminal: `master` is ours, `url` is for the driver."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(self._slave)
        self.url = os.ttyname(self._slave)
        os.set_blocking(self.master, False)

    def close(self) -> None:
        for handle in (self._slave, self.master):
            with contextlib.suppress(OSError):
                os.close(handle)


class ServedBoard:
    """A scripted board on a pseudo-terminal; streams every `interval` s while it is asked to."""

    def __init__(self, description, pair: Pair, interval: float = 0.004) -> None:
        self.board, self.pair, self.url = ScriptedBoard(description), pair, pair.url
        self.silent = False
        self.noise = b""  # sent in front of every telemetry frame
        self._interval = interval
        self._further = [n for n in description.messages if n.startswith("telemetry-")]
        self._running = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):  # nobody reads, or the other side is closed
            os.write(self.pair.master, data)

    def _serve(self) -> None:
        start = last = time.monotonic()
        number = 0
        while self._running:
            with contextlib.suppress(OSError):
                answer = self.board.feed(os.read(self.pair.master, 4096))
                if not self.silent:
                    self.send(answer)
            now = time.monotonic()
            self.board.time = now - start
            polled = bool(self.board.description.polls)
            if self.board.streaming and not polled and not self.silent:
                while last + self._interval <= now:
                    last += self._interval
                    number += 1
                    if self._further and number % 10 == 1:
                        self.send(self.board.telemetry(last - start, self._further[0]))
                    self.send(self.noise + self.board.telemetry(last - start))
            else:
                last = now
            time.sleep(0.001)

    def stop(self) -> None:
        self._running = False
        self._thread.join(2.0)


@pytest.fixture
def pair() -> Iterator[Pair]:
    found = Pair()
    yield found
    found.close()


@pytest.fixture
def serve_board(pair):
    """Serve a description; stopped afterwards."""
    made = []

    def serve(description, **more) -> ServedBoard:
        made.append(ServedBoard(description, pair, **more))
        return made[-1]

    yield serve
    for served in made:
        served.stop()


@pytest.fixture
def opened():
    """Open the board a description means at a URL; closed afterwards."""
    made = []

    def open_(description, url, clock=None, log=None, **more):
        config = SerialBoardConfig(url=url, description=description, **more)
        made.append(open_board(config, clock or WallClock(), log))
        return made[-1]

    yield open_
    for board in made:
        board.close()


# ---------------------------------------------------------------------- Modbus


class ModbusDevice:
    """A server of the Modbus library on a pseudo-terminal, with the registers of a drive.

    `registers`: function code (3 holding, 4 input) -> address -> value; `writes`: what was written;
    `refuse`: address -> exception code.
    """

    def __init__(self, device: int) -> None:
        from pymodbus.constants import ExcCodes
        from pymodbus.framer import FramerType
        from pymodbus.server import ModbusSerialServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        self.registers = {3: {}, 4: {}}
        self.writes = []
        self.refuse = {}

        async def action(function, start, address, count, current, new):
            if address in self.refuse:
                return ExcCodes(self.refuse[address])
            if new is not None:
                self.writes.append((function, address, list(new)))
                self.registers[3].update(enumerate(new, start=address))
            elif function in self.registers:
                for at in range(address, address + count):
                    current[at - start] = self.registers[function].get(at, 0)
            return None

        words = [SimData(0, count=300, values=0, datatype=DataType.REGISTERS)]
        bits = [SimData(0, count=32, values=False, datatype=DataType.BITS)]
        context = SimDevice(device, simdata=(bits, bits, words, words), action=action)
        # two pseudo-terminals, since the server opens a device path as the driver does
        self.host, self.far = Pair(), Pair()
        self.url = self.host.url
        self.heard = b""
        self.cut = False  # drops everything from the device
        self._running = True
        self._ready = threading.Event()

        async def run() -> None:
            server = ModbusSerialServer(
                context,
                framer=FramerType.RTU,
                port=self.far.url,
                baudrate=115200,
            )
            await server.serve_forever(background=True)
            self._ready.set()
            while self._running:
                await asyncio.sleep(0.005)
            await server.shutdown()

        self._server = threading.Thread(target=lambda: asyncio.run(run()), daemon=True)
        self._wire = threading.Thread(target=self._carry, daemon=True)
        self._server.start()
        self._wire.start()
        assert self._ready.wait(5.0)

    def _carry(self) -> None:
        while self._running:
            for source, target in ((self.host, self.far), (self.far, self.host)):
                with contextlib.suppress(OSError):
                    data = os.read(source.master, 4096)
                    if source is self.host:
                        self.heard += data
                    if not (self.cut and source is self.far):
                        os.write(target.master, data)
            time.sleep(0.0005)

    def close(self) -> None:
        self._running = False
        self._server.join(5.0)
        self._wire.join(2.0)
        self.host.close()
        self.far.close()


@pytest.fixture
def modbus_device():
    device = ModbusDevice(17)
    text = b"DOSING-DRIVE\0\0\0\0" + b"5EED0001"
    device.registers[3] = {i // 2: int.from_bytes(text[i : i + 2], "big") for i in range(0, 24, 2)}
    yield device
    device.close()
