"""A recording as a board: the same answers to the same questions, and a clear error to others."""

from __future__ import annotations

import pytest

from hil.core.errors import CommandRefused, LinkError
from hil.drivers.replay import ReplayPort
from hil.drivers.scripted import ScriptedBoard
from hil.drivers.serial_board import SerialBoard, SerialBoardConfig
from hil.store.rawlog import RawLog, RawPiece, read_raw_log


class Steady:
    """A clock that moves when somebody sleeps."""

    def __init__(self):
        self.time = 100.0

    def now(self):
        return self.time

    def sleep(self, seconds):
        self.time += seconds


class Wire:
    """A port with a scripted board behind it, without any transport."""

    def __init__(self, board):
        self.board, self.pending = board, b""

    @property
    def in_waiting(self):
        return len(self.pending)

    def read(self, size):
        data, self.pending = self.pending[:size], self.pending[size:]
        return data

    def write(self, data):
        self.pending += self.board.feed(data)

    def close(self):
        pass


def session(board, clock, wire=None):
    """What a program does with a board, and what it sees."""
    identity = board.identify()
    board.start(1500.0)
    board.stream(True)
    speeds = []
    for number in range(5):
        if wire is not None:
            wire.board.values["reported.speed"] = 100.0 * number
            wire.pending += wire.board.telemetry(0.01 * number)
        clock.sleep(0.01)
        reading = board.read()
        speeds += reading.values["reported.speed"].tolist()
    refused = ""
    try:
        board.stop()
    except CommandRefused as error:
        refused = str(error).partition("refused")[2]
    return identity.model, identity.revision, speeds, refused


@pytest.fixture
def recorded(description, tmp_path):
    """A session recorded to a file of the store, and what was seen in it."""
    clock, wire = Steady(), Wire(ScriptedBoard(description))
    wire.board.refuse["stop"] = 1
    path = tmp_path / "link.raw"
    with RawLog(path) as raw:

        def log(way, t, data):
            (raw.sent if way == "tx" else raw.received)(t, data)

        config = SerialBoardConfig(url="wire", description=description)
        seen = session(SerialBoard(wire, config, clock, log), clock, wire)
    return path, seen


@pytest.mark.parametrize("paced", [False, True])
def test_a_recorded_session_replays(description, recorded, paced):
    path, seen = recorded
    clock = Steady()
    port = ReplayPort(read_raw_log(path), clock, paced=paced)
    config = SerialBoardConfig(url="recorded", description=description)
    found = session(SerialBoard(port, config, clock), clock)
    assert found[0] == seen[0]
    assert found[2] == seen[2] == [0.0, 100.0, 200.0, 300.0, 400.0]
    assert found[3] == seen[3]
    assert "busy" in found[3]
    assert port.finished


def test_another_question_is_an_error_that_names_both(description, recorded):
    path, _ = recorded
    port = ReplayPort(read_raw_log(path), Steady())
    config = SerialBoardConfig(url="recorded", description=description)
    board = SerialBoard(port, config, Steady())
    board.identify()
    with pytest.raises(LinkError, match=r"sending 'start' failed: the recording differs: b'.*now"):
        board.start(-99.0)


def piece(t, to_board, data):
    return RawPiece(t, to_board, data)


def test_what_came_after_a_question_waits_for_it():
    port = ReplayPort(
        [piece(0, False, b"hello"), piece(1, True, b"ask"), piece(2, False, b"answer")], Steady()
    )
    assert port.read(port.in_waiting) == b"hello"
    assert port.in_waiting == 0
    port.write(b"a")
    assert port.in_waiting == 0
    port.write(b"sk")
    assert port.read(3) == b"ans"
    assert not port.finished
    assert port.read(99) == b"wer"
    assert port.finished


def test_paced_keeps_the_distance_in_time():
    clock = Steady()
    pieces = [piece(7.0, True, b"ask"), piece(7.5, False, b"answer"), piece(8.0, False, b"more")]
    port = ReplayPort(pieces, clock, paced=True)
    port.write(b"ask")
    assert port.in_waiting == 0
    clock.sleep(0.5)
    assert port.read(99) == b"answer"
    clock.sleep(0.49)
    assert port.in_waiting == 0
    clock.sleep(0.02)
    assert port.read(99) == b"more"


def test_sending_where_nothing_was_sent_and_a_closed_port():
    import serial

    port = ReplayPort([piece(0, False, b"x")], Steady())
    with pytest.raises(serial.SerialException, match="nothing was sent at this place, now b'ask'"):
        port.write(b"ask")
    port.close()
    with pytest.raises(serial.SerialException):
        port.read(1)


def test_a_write_that_was_recorded_in_two_pieces_and_one_that_joins_two():
    pieces = [piece(0, True, b"ab"), piece(0, True, b"cd"), piece(1, False, b"ok")]
    port = ReplayPort(pieces, Steady())
    assert port.write(b"abcd") == 4
    assert port.read(9) == b"ok"
