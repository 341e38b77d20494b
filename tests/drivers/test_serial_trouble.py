"""What goes wrong on a serial link: each trouble has its own clear error, and none hangs."""

from __future__ import annotations

import re
import time
from dataclasses import replace

import pytest
import serial

from hil.core.errors import CommandRefused, LinkError, LinkTimeout
from hil.drivers.serial_board import MOST_BAD, SerialBoard, SerialBoardConfig
from hil.ports.clock import WallClock


def opened(peer, description, **more) -> SerialBoard:
    log = more.pop("log", None)
    config = SerialBoardConfig(url=peer.url, description=description, **more)
    return SerialBoard.open(config, WallClock(), log)


def collect(board: SerialBoard, seconds: float = 0.1):
    found, end = [], time.monotonic() + seconds
    while time.monotonic() < end:
        found.append(board.read())
        time.sleep(0.005)
    return found


def test_no_such_port(description):
    config = SerialBoardConfig(url="/dev/no-such-port", description=description)
    with pytest.raises(LinkError) as caught:
        SerialBoard.open(config, WallClock())
    # the same words whether the path stands in the rig file, on the command line or in a pool
    assert re.fullmatch(
        r"board port /dev/no-such-port: not there; (there are /\S.*|no serial port is there)",
        str(caught.value),
    )


def test_a_port_that_may_not_be_opened_keeps_the_cause(description, tmp_path):
    config = SerialBoardConfig(url=str(tmp_path), description=description)
    with pytest.raises(LinkError, match="cannot be opened") as caught:
        SerialBoard.open(config, WallClock())
    assert isinstance(caught.value.__cause__, serial.SerialException)


def test_a_url_nobody_handles(description):
    config = SerialBoardConfig(url="no-such-scheme://x", description=description)
    with pytest.raises(LinkError, match=r"cannot be opened.*no-such-scheme"):
        SerialBoard.open(config, WallClock())


def test_a_file_that_is_no_serial_port(description, tmp_path):
    path = tmp_path / "plain"
    path.write_text("")
    with pytest.raises(LinkError, match="cannot be opened"):
        SerialBoard.open(SerialBoardConfig(url=str(path), description=description), WallClock())


def test_a_port_in_use_is_refused(make_peer, description):
    peer = make_peer(description)
    first = opened(peer, description)
    with pytest.raises(LinkError, match=r"cannot be opened.*exclusively lock"):
        opened(peer, description)
    first.close()
    opened(peer, description).close()


def test_a_profile_that_cannot_work_closes_the_port_again(make_peer, description):
    peer = make_peer(description)
    bad = replace(description, framing=replace(description.framing, checksum="CRC-16/NOBODY"))
    with pytest.raises(LinkError, match=r"link profile dosing-.*CRC-16/NOBODY"):
        opened(peer, bad)
    opened(peer, description).close()


def test_a_silent_board_is_told_apart_from_a_wrong_one(make_peer, description):
    board = opened(make_peer(description, silent=True), description)
    started = time.monotonic()
    with pytest.raises(LinkTimeout, match="nothing arrived: is it powered"):
        board.identify()
    # two attempts of 0.3 s each, as the profile says
    assert 0.55 < time.monotonic() - started < 5.0
    assert issubclass(LinkTimeout, TimeoutError)
    board.close()


def test_identify_is_asked_again_but_a_start_is_not(make_peer, description):
    peer = make_peer(description, mute_first=1)
    board = opened(peer, description)
    assert board.identify().model == "DOSING-DRIVE"
    assert len(peer.received) == 2
    peer.mute_first = 1
    with pytest.raises(LinkTimeout, match="no answer to 'start'"):
        board.start(1000.0)
    assert len(peer.received) == 3
    board.close()


def test_garbage_hints_at_baud_rate_and_profile(make_peer, terminal, description):
    class Babbling:
        """A clock that lets garbage arrive whenever somebody waits."""

        def __init__(self) -> None:
            self.time = 0.0

        def now(self) -> float:
            return self.time

        def sleep(self, seconds: float) -> None:
            self.time += seconds
            peer.send(b"\xfe\x13\x00\x8a\n")
            time.sleep(0.0005)

    peer = make_peer(description, silent=True)
    config = SerialBoardConfig(url=terminal.url, description=description)
    board = SerialBoard.open(config, Babbling())
    with pytest.raises(LinkTimeout) as caught:
        board.stop()
    text = str(caught.value)
    assert f"board on {terminal.url}: no answer to 'stop' within 0.3 s" in text
    assert "bytes arrived but no frame decodes: baud rate (230400) or profile (dosing-" in text
    bad = board.read().bad
    assert bad
    assert all(re.search(r": ('|[0-9a-f]{2}( |$))", piece) for piece in bad[:5])
    board.close()


@pytest.mark.parametrize("answer", ["clear", "unknown"])
def test_an_answer_to_another_command_is_none(make_peer, description, answer):
    peer = make_peer(description)
    other = peer.answer("clear") if answer == "clear" else b"done,dance"
    if answer == "unknown" and peer.binary:
        other = b"\x82\x63"
    peer.answer = lambda _command: other
    board = opened(peer, description)
    with pytest.raises(LinkTimeout, match="1 frames of telemetry or other messages, 0 pieces"):
        board.stop()
    board.close()


def test_bad_checksum_is_reported_with_bytes_and_reason_and_the_next_frame_read(
    make_peer, description
):
    peer = make_peer(description)
    board = opened(peer, description)
    board.identify()
    frame = bytearray(peer.framing.encode(peer.answer("stop")))
    frame[1] ^= 0x04
    peer.send(bytes(frame))
    bad = [text for reading in collect(board) for text in reading.bad]
    assert len(bad) == 1
    assert "checksum" in bad[0] or "COBS" in bad[0]
    board.stop()
    board.close()


def test_garbage_ahead_of_an_answer_does_not_hide_it(make_peer, description):
    noise = b"\xff\xfe\x00\n\r\n\x00"
    peer = make_peer(description)
    peer.before = noise if peer.binary else noise + b"\n"
    board = opened(peer, description)
    board.identify()
    board.start(500.0)
    assert board.read().bad
    board.close()


def test_a_frame_cut_by_opening_the_port_is_not_held_against_the_board(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    peer.send(b"\x07,251*0000" + peer.delimiter)
    board.identify()
    assert board.read().bad == ()
    # afterwards the same is an event
    peer.send(b"\x07,251*0000" + peer.delimiter)
    assert [text for reading in collect(board) for text in reading.bad]
    board.close()


def test_a_late_answer_does_not_count_for_the_next_command(make_peer, description):
    peer = make_peer(description, mute_first=1)
    board = opened(peer, description)
    with pytest.raises(LinkTimeout):
        board.stop()
    peer.silent = True
    peer.send_payload(peer.answer("stop"))
    time.sleep(0.02)
    with pytest.raises(LinkTimeout):
        board.stop()
    board.close()


def test_texts_about_bad_data_are_bounded(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    board.identify()
    end = peer.delimiter
    peer.send((b"\xff\x01\x02" + end) * (MOST_BAD + 50))
    time.sleep(0.05)
    board.read()
    peer.send((b"\xff\x01\x02" + end) * (MOST_BAD + 50))
    time.sleep(0.05)
    bad = board.read().bad
    assert len(bad) == MOST_BAD + 1
    assert bad[-1] == "50 further pieces of bad data"
    board.close()


def test_hang_up_in_mid_run_is_a_link_error_with_its_cause(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    board.identify()
    peer.hang_up()
    with pytest.raises(LinkError, match=r"is it unplugged|sending 'stop' failed") as caught:
        board.stop()
    assert not isinstance(caught.value, LinkTimeout | CommandRefused)
    assert caught.value.__cause__ is not None
    with pytest.raises(LinkError, match="reading failed, is it unplugged"):
        board.read()
    board.close()
    board.close()


def test_a_write_that_never_drains_ends_in_time(terminal, description):
    # nobody reads the far end, so the buffers of the terminal fill up
    quick = replace(description, reply_timeout=0.0, retries=0)
    config = SerialBoardConfig(url=terminal.url, description=quick, write_timeout=0.2)
    board = SerialBoard.open(config, WallClock())
    started = time.monotonic()

    def flood():
        for _ in range(100):
            board._send("flood", b"\x01" * 8192)

    with pytest.raises(LinkTimeout, match="'flood' failed: the port does not take the data"):
        flood()
    assert time.monotonic() - started < 3.0
    board.close()


def test_use_after_closing(make_peer, description):
    board = opened(make_peer(description), description)
    board.close()
    for action in (board.read, board.stop, board.identify):
        with pytest.raises(LinkError):
            action()


def test_a_value_that_cannot_be_sent_never_reaches_the_board(make_peer, description):
    peer = make_peer(description)
    board = opened(peer, description)
    with pytest.raises(LinkError, match="cannot send"):
        board.start(float("nan"))
    with pytest.raises(LinkError, match="'by-ear' is not a choice"):
        board.select_sensing("by-ear")
    assert peer.received == []
    board.close()


@pytest.mark.parametrize("code", [1, 3, 77])
def test_refusals_by_code(make_peer, description, code):
    board = opened(make_peer(description, refuse={"select-sensing": code}), description)
    expected = {1: "busy, the motor is turning", 3: "out of range", 77: "unknown reason 77"}[code]
    with pytest.raises(CommandRefused, match=f"refused 'select-sensing hall': {expected}"):
        board.select_sensing("hall")
    board.close()


# -- a word in between, without waiting -----------------------------------------------------------


def test_a_nudge_is_answered_and_nobody_waits(make_peer, description):
    board = opened(make_peer(description), description)
    for _ in range(3):
        started = time.monotonic()
        assert board.nudge()
        assert time.monotonic() - started < 0.1
        collect(board, 0.3)
    board.start(500.0)  # what answered the nudges does not count for it
    board.close()


def test_a_silent_board_is_found_out_by_nudges_that_never_block(make_peer, description):
    told = replace(description, reply_timeout=0.2, retries=1)
    board = opened(make_peer(told, silent=True), told)
    took, begun = [], time.monotonic()

    def nudge_on() -> None:
        while time.monotonic() - begun < 5.0:
            started = time.monotonic()
            try:
                board.nudge()
            finally:
                took.append(time.monotonic() - started)
            board.read()
            time.sleep(0.01)

    with pytest.raises(LinkTimeout, match="no answer to 'identify'"):
        nudge_on()
    assert max(took) < 0.15
    assert time.monotonic() - begun > 0.35  # after the retries of the profile
    board.close()


def test_an_answer_that_is_still_to_come_can_be_waited_for(make_peer, description):
    board = opened(make_peer(description), description)
    board.settle()  # nothing is to come
    assert board.nudge()
    board.settle()
    assert board.nudge()
    board.close()


def test_a_board_that_stays_silent_is_waited_for_in_vain(make_peer, description):
    told = replace(description, reply_timeout=0.2, retries=1)
    silent = opened(make_peer(told, silent=True), told)
    assert silent.nudge()
    with pytest.raises(LinkTimeout, match="no answer to 'identify'"):
        silent.settle()
    silent.close()


def test_boards_of_all_framings_can_be_nudged():
    from hil.drivers.modbus_board import ModbusBoard
    from hil.ports.board import Nudged

    assert issubclass(SerialBoard, Nudged)
    assert issubclass(ModbusBoard, Nudged)
