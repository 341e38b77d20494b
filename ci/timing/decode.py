"""Decoding a 3 Mbaud stream against merely reading the same bytes, from a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from ci.timing.result import Result

if TYPE_CHECKING:
    from hil.ports.link import LinkDescription

PROFILES = Path("testplans/profiles")
#: Framing -> profile whose telemetry is sent.
STREAMS = {
    "lines": "dosing-lines",
    "COBS": "dosing-cobs",
    "SLIP": "examples/slip",
    "length-prefixed": "examples/length",
}
#: Bytes/s of 3 Mbaud with start and stop bit, s of one measurement, s between two reads.
RATE, SECONDS, PAUSE = 300_000, 2.0, 0.005
ROUNDS = 3

#: Writes a file to a descriptor at a constant rate, whole file again and again.
WRITER = """
import os, sys, time
data, out = open(sys.argv[1], "rb").read(), int(sys.argv[2])
rate = float(sys.argv[3])
start, sent = time.monotonic(), 0
while True:
    due = int((time.monotonic() - start) * rate)
    while sent < due:
        at = sent % len(data)
        sent += os.write(out, data[at:at + due - sent])
    time.sleep(0.002)
"""


def run() -> Iterator[Result]:
    """Processor time of reading, and of reading and decoding, for each framing."""
    from hil.drivers.scripted import ScriptedBoard
    from hil.plan.load import load_profile

    for name, profile in STREAMS.items():
        description = load_profile(PROFILES / f"{profile}.profile.yaml")
        board = ScriptedBoard(description)
        board.values |= {
            "reported.speed": 2987.0,
            "reported.setpoint": 3000.0,
            "reported.current": 1.23,
            "reported.voltage": 23.97,
            "reported.temperature": 41.0,
        }
        # a whole turn of the sequence counter, so that the repetition has no gap
        frames = 65536 if name == "SLIP" else 256
        data = b"".join(board.telemetry(n * 0.0005) for n in range(frames))
        pairs = [(_share(_reader, description, data), _share(_decoder, description, data))
                 for _ in range(ROUNDS)]  # fmt: skip
        read, decode = (statistics.median(column) for column in zip(*pairs, strict=True))
        yield Result(f"decoding / reading, {name}", decode / read, "1", "lower", None)
        yield Result(f"share of a core at 3 Mbaud, {name}", decode, "1", "lower", 1.0 / 3.0)


#: Reads until a time on the monotonic clock and returns the number of bytes.
Action = Callable[[float], int]


@contextlib.contextmanager
def _reader(description: LinkDescription, url: str) -> Iterator[Action]:
    import serial

    del description
    with serial.Serial(url, timeout=0) as port:

        def read(end: float) -> int:
            count = 0
            while time.monotonic() < end:
                count += len(port.read(port.in_waiting))
                time.sleep(PAUSE)
            return count

        yield read


@contextlib.contextmanager
def _decoder(description: LinkDescription, url: str) -> Iterator[Action]:
    from hil.drivers.serial_board import SerialBoard, SerialBoardConfig
    from hil.ports.clock import WallClock

    received = 0

    def log(_direction: str, _time: float, data: bytes) -> None:
        nonlocal received
        received += len(data)

    board = SerialBoard.open(SerialBoardConfig(url=url, description=description), WallClock(), log)
    if "stream" not in description.commands:
        board.stream(True)

    def decode(end: float) -> int:
        lost = bad = rows = 0
        while time.monotonic() < end:
            reading = board.read()
            rows += len(reading)
            lost += reading.lost
            bad += len(reading.bad)
            time.sleep(PAUSE)
        if lost or bad or not rows:
            raise RuntimeError(f"{lost} frames lost, {bad} bad, of {rows}: the figure is worthless")
        return received

    try:
        yield decode
    finally:
        board.close()


def _share(
    kind: Callable[[LinkDescription, str], contextlib.AbstractContextManager[Action]],
    description: LinkDescription,
    data: bytes,
) -> float:
    """Processor seconds of this process a second of a stream of `RATE` bytes/s."""
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    try:
        with (
            tempfile.NamedTemporaryFile() as file,
            kind(description, os.ttyname(slave)) as action,
        ):
            file.write(data)
            file.flush()
            command = [sys.executable, "-c", WRITER, file.name]
            command += [str(master), str(RATE)]
            with subprocess.Popen(command, pass_fds=[master]) as writer:
                before = time.process_time()
                count = action(time.monotonic() + SECONDS)
                taken = time.process_time() - before
                writer.kill()  # it may wait for a reader
            return taken / count * RATE
    finally:
        for handle in (master, slave):
            os.close(handle)
