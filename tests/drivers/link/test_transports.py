"""Other ways to a board than a pseudo-terminal, and a Modbus port full of garbage."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.modbus import LONGEST
from hil.drivers.modbus_board import ModbusBoard
from hil.drivers.scripted import ScriptedBoard
from hil.drivers.serial_port import BytePort, SerialBoardConfig
from hil.plan.load import load_profile


def test_a_serial_device_server_on_tcp(profiles, opened):
    """pyserial's socket ports only say that something is there, not how much."""
    description = profiles("dosing-cobs")
    board_end = ScriptedBoard(description)
    server = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def serve():
        connection, _ = server.accept()
        connection.settimeout(0.005)
        number = 0
        with connection:
            while not stop.is_set():
                with contextlib.suppress(TimeoutError):
                    data = connection.recv(4096)
                    if not data:
                        return
                    connection.sendall(board_end.feed(data))
                if board_end.streaming:
                    number += 20
                    burst = [board_end.telemetry(0.001 * (number + k)) for k in range(20)]
                    connection.sendall(b"".join(burst))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        board = opened(description, f"socket://127.0.0.1:{server.getsockname()[1]}")
        assert board.identify().model == "SCRIPTED"
        board.stream(True)
        count, lost, end = 0, 0, time.monotonic() + 4.0
        while count < 200 and time.monotonic() < end:
            reading = board.read()
            count += len(reading)
            lost += reading.lost
            time.sleep(0.01)
        board.stream(False)
        assert count >= 200
        assert lost == 0
        board.close()
    finally:
        stop.set()
        thread.join(2.0)
        server.close()


class Hoarse:
    """A port that gives what it is told to give, and says it has one byte when it has more."""

    def __init__(self):
        self.given = b""
        self.taken = b""

    @property
    def in_waiting(self):
        return min(len(self.given), 1)

    def read(self, size):
        data, self.given = self.given[:size], self.given[size:]
        return data

    def write(self, data):
        self.taken += data

    def close(self):
        pass


class Ticking:
    """A clock that moves a millisecond whenever it is asked, and when somebody sleeps."""

    def __init__(self):
        self.time = 0.0

    def now(self):
        self.time += 0.001
        return self.time

    def sleep(self, seconds):
        self.time += seconds


def test_a_port_that_only_says_something_is_there_is_emptied_at_once():
    port, seen = Hoarse(), []
    wire = BytePort(port, "x", Ticking(), lambda way, _t, data: seen.append((way, data)))
    port.given = bytes(range(200))
    assert wire.read()[1] == bytes(range(200))
    assert wire.read()[1] == b""
    wire.write("ask", b"?")
    assert seen == [("rx", bytes(range(200))), ("tx", b"?")]


MODBUS = load_profile(
    Path(__file__).parents[3] / "testplans" / "profiles" / "examples" / "modbus.profile.yaml"
)


@settings(deadline=None, max_examples=150)
@given(st.lists(st.binary(max_size=60), min_size=4, max_size=12))
def test_garbage_instead_of_modbus_answers(pieces):
    port = Hoarse()
    config = SerialBoardConfig(url="garbage", description=MODBUS)
    board = ModbusBoard(port, config, Ticking())
    board.stream(True)
    for piece in pieces:
        board.read()
        port.given += piece
        reading = board.read()
        assert all(isinstance(text, str) for text in reading.bad)
        assert len(board._buffer) <= LONGEST + len(piece)
    assert port.taken.startswith(b"\x11\x04")
