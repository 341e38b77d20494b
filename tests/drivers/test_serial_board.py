"""A board on a real pseudo-terminal: obeys, streams, refuses, falls silent, disappears."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from hil.core.errors import CommandRefused, FirmwareError, LinkTimeout, ProfileMisfit
from hil.drivers.serial_board import SerialBoard, SerialBoardConfig
from hil.ports.board import Board, Timed
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


def test_it_tells_within_what_time_it_was_answered_at_best(make_peer, description):
    peer = make_peer(description, thinking=0.1)
    board = opened(peer, description)
    assert isinstance(board, Timed)
    assert np.isnan(board.turnaround)
    board.identify()
    slow = board.turnaround
    # The pseudo-terminal takes no time for what a line would have taken some milliseconds for.
    assert 0.1 - description.on_line(80) < slow
    peer.thinking = 0.0
    for _ in range(100):
        board.identify()
        if board.turnaround < 0.1:
            break
    quick = board.turnaround
    assert 0.0 <= quick < 0.1
    peer.thinking = 0.1
    board.identify()
    assert board.turnaround == quick
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


def renamed(description, name: str, key):
    """The same profile with another key of one message."""
    message = replace(description.messages[name], key=key)
    return replace(description, messages={**description.messages, name: message})


def test_what_arrives_whole_and_matches_no_message_is_shown(make_peer, description):
    lines = description.framing.kind == "lines"
    wrong = renamed(description, "identity", "im" if lines else 0x77)
    board = opened(make_peer(description), wrong)
    with pytest.raises(LinkTimeout) as caught:
        board.identify()
    text = str(caught.value)
    assert "bytes arrived, whole and of no message that profile knows; unmatched: " in text
    assert text.endswith(f" ({1 + description.retries} times)")
    assert ("unmatched: 'id,DOSING-DRIVE" if lines else "unmatched: bytes 81 ") in text
    assert "baud rate" not in text
    board.close()


@pytest.mark.parametrize("again", [False, True])
def test_simulated_firmware_is_blamed_alone_for_what_it_once_answered(
    make_peer, description, again
):
    peer = make_peer(description)
    board = opened(peer, description, firmware="tiny")
    if again:
        board.stop()
    peer.silent = True
    with pytest.raises(FirmwareError, match=r"^tiny: no answer to 'stop'") as caught:
        board.stop()
    assert isinstance(caught.value, ProfileMisfit) is not again
    assert caught.value.whose == ("firmware" if again else "firmware or link profile")
    board.close()


def test_a_command_that_serves_start_and_set_speed_is_answered_for_both(make_peer, description):
    commands = dict(description.commands)
    commands["set-speed"] = replace(commands["set-speed"], key=commands["start"].key)
    one = replace(description, commands=commands)
    peer = make_peer(one)
    board = opened(peer, one)
    board.start(1000.0)
    board.set_speed(1500.0)
    board.stop()
    assert [peer.command_of(payload) for payload in peer.received] == ["start", "start", "stop"]
    peer.refuse = {"start": 2}
    with pytest.raises(CommandRefused, match=r"refused 'set-speed 2000\.0'"):
        board.set_speed(2000.0)
    board.close()


def test_refusal_is_an_error_with_the_text_of_the_profile(make_peer, description):
    board = opened(make_peer(description, refuse={"start": 2}), description)
    with pytest.raises(
        CommandRefused, match=r"refused 'start 1000.0': fault latched, clear it first"
    ):
        board.start(1000.0)
    board.close()


def test_every_byte_in_both_directions_goes_to_the_log(make_peer, description):
    peer = make_peer(description)
    noise = b"\xff\xfe" + peer.delimiter
    peer.before = noise
    entries: list[tuple[str, float, bytes]] = []
    board = opened(peer, description, log=lambda *entry: entries.append(entry))
    board.stop()
    sent = b"".join(data for direction, _, data in entries if direction == "tx")
    got = b"".join(data for direction, _, data in entries if direction == "rx")
    assert peer.framing.feed(sent).frames == peer.received
    assert got == noise + peer.framing.encode(peer.answer("stop"))
    times = [when for _, when, _ in entries]
    assert times == sorted(times)
    board.close()


def test_telemetry_that_arrives_while_waiting_is_kept_for_the_next_read(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    board.identify()
    peer.before = peer.framing.encode(telemetry(description, 1, 1000, speed=11))
    board.start(1000.0)
    peer.before = peer.framing.encode(telemetry(description, 2, 2000, speed=22))
    board.stop()
    reading = board.read()
    assert reading.values["reported.speed"].tolist() == [11.0, 22.0]
    assert reading.host_time[0] < reading.host_time[1]
    assert len(board.read()) == 0
    board.close()


def test_lost_frames_are_counted_across_reads(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    board.stream(True)
    for number in (254, 255, 3):
        peer.send_payload(telemetry(description, number, 1000))
    assert sum(r.lost for r in read_until(board, 3)) == 3
    board.stream(True)
    peer.send_payload(telemetry(description, 100, 1000))
    assert sum(r.lost for r in read_until(board, 1)) == 0
    board.close()


def test_bad_telemetry_inside_a_good_frame_costs_one_sample(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    good = telemetry(description, 1, 1000, speed=5)
    for payload in (good, good + (b"\x00" if peer.binary else b",9"), good):
        peer.send_payload(payload)
    found = read_until(board, 2)
    assert sum(len(r) for r in found) == 2
    assert all(r.host_time.shape == r.values["reported.speed"].shape for r in found)
    assert len([text for r in found for text in r.bad]) == 1
    board.close()


def test_control_lines_are_set_before_the_port_opens(make_peer, description, monkeypatch):
    import serial

    seen = []
    real_open = serial.Serial.open

    def spy(port):
        seen.append((port.dtr, port.rts, port.baudrate, port.exclusive, port.write_timeout))
        real_open(port)

    monkeypatch.setattr(serial.Serial, "open", spy)
    peer = make_peer(description)
    opened(peer, description, dtr=False, rts=False, write_timeout=0.7).close()
    opened(peer, description).close()
    assert seen == [(False, False, 230400, True, 0.7), (True, True, 230400, True, 1.0)]


def test_full_rate_without_loss(make_peer, description):
    """Two seconds' worth of telemetry, written in bursts, arrives whole and in order."""
    peer = make_peer(description)
    board = opened(peer, description)
    board.identify()
    found, count = [], 1000
    for start in range(0, count, 20):
        burst = [
            peer.framing.encode(telemetry(description, n % 256, 2000 * n, speed=n))
            for n in range(start, start + 20)
        ]
        peer.send(b"".join(burst))
        time.sleep(0.001)
        found.append(board.read())
    found += read_until(board, count - sum(len(r) for r in found))
    speed = np.concatenate([r.values["reported.speed"] for r in found])
    np.testing.assert_array_equal(speed, np.arange(count))
    assert sum(r.lost for r in found) == 0
    assert not any(r.bad for r in found)
    board.close()
