"""A board on a real pseudo-terminal: obeys, streams, refuses, falls silent, disappears."""

from __future__ import annotations

import time

import numpy as np
import pytest

from hil.core.errors import LinkError, LinkTimeout
from hil.drivers.serial_board import SerialBoard, SerialBoardConfig
from hil.ports.board import Board
from hil.ports.clock import WallClock


def opened(peer, description, **more) -> SerialBoard:
    log = more.pop("log", None)
    config = SerialBoardConfig(url=peer.url, description=description, **more)
    return SerialBoard.open(config, WallClock(), log)


def telemetry(description, seq: int, micros: int, speed: int = 0, state: int = 3) -> bytes:
    if description.framing.kind == "cobs":
        import struct

        return b"\x90" + struct.pack(
            "<BIBHhhhHHh", seq, micros, state, 0, speed, 3000, 120, 150, 2400, 251
        )
    return f"t,{seq},{micros},{state},0,{speed},3000,1200,1500,24000,251".encode()


def read_until(board: SerialBoard, count: int):
    found = []
    deadline = time.monotonic() + 2.0
    while sum(len(r) for r in found) < count and time.monotonic() < deadline:
        found.append(board.read())
        time.sleep(0.002)
    return found


def test_identifies_and_obeys(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    assert isinstance(board, Board)
    identity = board.identify()
    assert (identity.role, identity.model, identity.revision) == (
        "board",
        "DOSING-DRIVE",
        "5EED0001",
    )
    assert identity.resource == peer.url
    board.start(-3000.0)
    board.set_speed(1500.0)
    board.stop()
    board.clear()
    board.select_sensing("back-emf")
    board.stream(True)
    board.stream(False)
    if description.framing.kind == "lines":
        assert peer.received[1:] == [
            b"start,-3000",
            b"speed,1500",
            b"stop",
            b"clear",
            b"sense,1",
            b"stream,200",
            b"stream,0",
        ]
    else:
        assert peer.received[1:] == [
            b"\x02\x48\xf4",
            b"\x03\xdc\x05",
            b"\x04",
            b"\x05",
            b"\x06\x01",
            b"\x07\xf4\x01",
            b"\x07\x00\x00",
        ]
    board.close()
    board.close()


def test_telemetry_reaches_channels_in_canonical_units(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    board.identify()
    for number in range(5):
        peer.send_payload(telemetry(description, number, 1000 * number, speed=-10 * number))
    found = read_until(board, 5)
    speed = np.concatenate([r.values["reported.speed"] for r in found])
    np.testing.assert_array_equal(speed, [0, -10, -20, -30, -40])
    np.testing.assert_allclose(
        np.concatenate([r.board_time for r in found]), [0.0, 0.001, 0.002, 0.003, 0.004]
    )
    last = next(r for r in reversed(found) if len(r))
    assert last.values["reported.current"][-1] == pytest.approx(1.2)
    assert last.values["reported.peak"][-1] == pytest.approx(1.5)
    assert last.values["reported.voltage"][-1] == pytest.approx(24.0)
    assert last.values["reported.temperature"][-1] == pytest.approx(25.1)
    assert last.values["reported.state"][-1] == 3
    assert sum(r.lost for r in found) == 0
    assert not any(r.bad for r in found)
    board.close()


def test_nothing_arrived_is_an_empty_reading(make_peer, description):
    board = opened(make_peer(description), description)
    reading = board.read()
    assert len(reading) == 0
    assert reading.values["reported.speed"].shape == (0,)
    assert reading.lost == 0
    assert reading.bad == ()
    board.close()


def test_silent_board_times_out(make_peer, description):
    peer = make_peer(description, silent=True)
    board = opened(peer, description)
    with pytest.raises(LinkTimeout, match=r"no answer to 'start' within 0.3 s; nothing arrived"):
        board.start(1000.0)
    board.close()


def test_refusal_is_an_error_with_the_text_of_the_profile(make_peer, description):
    board = opened(make_peer(description, refuse={"start": 2}), description)
    with pytest.raises(LinkError, match=r"refused 'start 1000.0': fault latched, clear it first"):
        board.start(1000.0)
    board.close()
