"""The Modbus profile against a server of the Modbus library, serial on both sides."""

from __future__ import annotations

import struct
import time
from dataclasses import replace

import numpy as np
import pytest

from hil.core.drive import DriveState, Fault
from hil.core.errors import CommandRefused, LinkError, LinkTimeout
from hil.ports.clock import WallClock

COIL, REGISTER, REGISTERS = 5, 6, 16


@pytest.fixture
def told(profiles):
    """The profile, with time for an answer that a busy machine gives."""
    return replace(profiles("examples/modbus"), reply_timeout=5.0)


@pytest.fixture
def board(told, modbus_device, opened):
    return opened(told, modbus_device.url)


@pytest.fixture
def impatient(profiles, modbus_device, opened):
    """For a device that says nothing: the profile as it stands."""
    return opened(profiles("examples/modbus"), modbus_device.url)


def words(layout, *values, low_first=False):
    data = struct.pack(f">{layout}", *values)
    found = [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]
    return found[::-1] if low_first else found


def put(device, address, values):
    device.registers[4].update(enumerate(values, start=address))


def read_until(board, done, limit=20.0):
    found, end = [], time.monotonic() + limit
    while not done(found) and time.monotonic() < end:
        found.append(board.read())
        time.sleep(0.003)
    return found


def rows(readings):
    return sum(len(r) for r in readings)


def test_it_tells_within_what_time_it_was_answered(board):
    assert np.isnan(board.turnaround)
    began = time.monotonic()
    board.identify()
    assert 0.0 <= board.turnaround <= time.monotonic() - began


def test_identity_is_read_from_registers(board, modbus_device):
    identity = board.identify()
    assert (identity.model, identity.revision) == ("DOSING-DRIVE", "5EED0001")
    # MODBUS over Serial Line V1.02: address, function 3, first register, count, CRC low byte first
    assert modbus_device.heard[:6] == b"\x11\x03\x00\x00\x00\x0c"


def test_commands_are_writes(board, modbus_device):
    board.start(-2000.5)
    board.set_speed(1500.0)
    board.stop()
    board.clear()
    board.select_sensing("back-emf")
    low_first = words("i", -20005, low_first=True)
    assert modbus_device.writes == [
        (REGISTERS, 101, low_first),
        (COIL, 0, [True]),
        (REGISTERS, 101, words("i", 15000, low_first=True)),
        (COIL, 0, [False]),
        (COIL, 1, [True]),
        (REGISTER, 100, [1]),
    ]


def test_exceptions_are_refusals(board, modbus_device):
    modbus_device.refuse[101] = 6
    with pytest.raises(CommandRefused, match=r"refused 'start 1000.0': busy, the motor is turning"):
        board.start(1000.0)
    assert modbus_device.writes == []  # nothing after the write that was refused
    modbus_device.refuse[101] = 3
    with pytest.raises(CommandRefused, match=r"illegal data value \(Modbus exception 3\)"):
        board.start(1000.0)
    modbus_device.refuse.clear()
    board.start(1000.0)


def test_an_address_outside_the_device_is_refused_by_the_library(told, modbus_device, opened):
    stop = replace(told.commands["stop"], table="holding", address=5000)
    stop = replace(stop, fields=(replace(stop.fields[0], type="u16"),))
    board = opened(replace(told, commands={**told.commands, "stop": stop}), modbus_device.url)
    with pytest.raises(CommandRefused, match="illegal data address"):
        board.stop()


def test_telemetry_is_polled_in_blocks(board, modbus_device):
    device = modbus_device
    put(device, 0, [7])
    put(device, 1, words("I", 123456, low_first=True))
    put(device, 3, [5])
    put(device, 4, words("i", -12345, low_first=True))
    put(device, 6, [*words("h", -250), 2412, 0b010])
    put(device, 200, words("f", 36.5, low_first=True))
    board.stream(True)
    readings = read_until(
        board, lambda f: rows(f) > 3 and np.isfinite(f[-1].values["reported.temperature"]).any()
    )
    board.stream(False)
    last = next(r for r in reversed(readings) if len(r))
    found = {name: column[-1] for name, column in last.values.items()}
    assert found == {
        "reported.state": DriveState.FAULT,
        "reported.fault": Fault.STALL,
        "reported.speed": pytest.approx(-1234.5),
        "reported.current": pytest.approx(-0.25),
        "reported.voltage": pytest.approx(24.12),
        "reported.temperature": pytest.approx(36.5),
    }
    assert last.board_time[-1] == pytest.approx(123.456)
    assert sum(r.repeated for r in readings) == rows(readings) - 1  # the counter stands still
    assert not any(r.bad for r in readings)
    count = device.heard.count(b"\x11\x04\x00\x00")
    time.sleep(0.1)
    board.read()
    assert device.heard.count(b"\x11\x04\x00\x00") == count  # switched off


def test_a_refused_poll_is_a_lost_frame_with_its_reason(board, modbus_device):
    modbus_device.refuse[0] = 4
    board.stream(True)
    readings = read_until(board, lambda f: sum(r.lost for r in f) >= 2)
    texts = [text for r in readings for text in r.bad]
    assert any("refused: device failure (Modbus exception 4)" in text for text in texts)
    modbus_device.refuse.clear()
    assert rows(read_until(board, lambda f: rows(f) > 2)) > 2
    board.stream(False)


def test_silence_costs_a_poll_and_is_a_timeout_of_a_command(impatient, modbus_device):
    board = impatient
    modbus_device.cut = True
    board.stream(True)
    readings = read_until(board, lambda f: sum(r.lost for r in f) >= 1)
    assert "no answer to the poll for 'telemetry'" in "".join(t for r in readings for t in r.bad)
    with pytest.raises(LinkTimeout, match=r"no answer to 'start' within 0.3 s; nothing arrived"):
        board.start(500.0)
    modbus_device.cut = False
    assert rows(read_until(board, lambda found: rows(found) > 0)) > 0
    board.stream(False)


def test_commands_between_polls_do_not_mix(board, modbus_device):
    board.stream(True)
    for number in range(10):
        read_until(board, rows)
        board.set_speed(100.0 * number)
    board.stream(False)
    assert [entry[2] for entry in modbus_device.writes] == [
        words("i", 1000 * number, low_first=True) for number in range(10)
    ]


def test_another_device_does_not_answer(profiles, modbus_device, opened):
    profile = profiles("examples/modbus")
    other = replace(profile, framing=replace(profile.framing, device=18), retries=0)
    board = opened(other, modbus_device.url)
    with pytest.raises(LinkError):
        board.identify()


def test_values_that_do_not_fit_never_reach_the_line(board, modbus_device):
    with pytest.raises(LinkError, match="does not fit i32"):
        board.start(1e9)
    with pytest.raises(LinkError, match="'by-ear' is not a choice"):
        board.select_sensing("by-ear")
    assert modbus_device.heard == b""


# -- a word in between, without waiting ---------------------------------------------------

IDENTIFY = b"\x11\x03\x00\x00\x00\x0c"


class Unwilling(WallClock):
    """Counts how often it is asked to wait."""

    waits = 0

    def sleep(self, seconds: float) -> None:
        self.waits += 1
        super().sleep(seconds)


def until_quiet(board):
    """Let the silent interval pass after an answer."""
    end = time.monotonic() + 20.0
    while not board._quiet:
        assert time.monotonic() < end
        time.sleep(0.001)


@pytest.fixture
def asked_at_every_look(told, modbus_device, opened):
    """Open a board whose telemetry is due at every look; the board, and the clock it has."""

    def make(**changes):
        polls = tuple(replace(poll, period=0.001) for poll in told.polls)
        clock = Unwilling()
        board = opened(replace(told, polls=polls, retries=1, **changes), modbus_device.url, clock)
        until_quiet(board)
        return board, clock

    return make


@pytest.fixture
def eager(asked_at_every_look):
    return asked_at_every_look()


@pytest.fixture
def soon_silent(asked_at_every_look):
    """The same, for a device that says nothing: its silence is told soon."""
    return asked_at_every_look(reply_timeout=0.2)


def look(board, nudged, done, limit=30.0):
    """Read and nudge as a bench does, until `done`; nudges sent and readings."""
    sent, found, end = 0, [], time.monotonic() + limit
    while not done(sent, found):
        assert time.monotonic() < end, (sent, rows(found))
        found.append(board.read())
        sent += bool(nudged and board.nudge())
        time.sleep(0.002)
    return sent, found


def test_nudges_go_between_polls_that_are_always_due_and_nothing_waits(eager, modbus_device):
    board, clock = eager
    board.stream(True)
    clock.waits = 0
    sent, found = look(board, True, lambda sent, found: sent >= 10 and rows(found) >= 10)
    assert clock.waits == 0
    board.stream(False)  # once what is on the line is answered: the device has heard all of it
    assert modbus_device.heard.count(IDENTIFY) == sent
    assert not any(reading.lost for reading in found)
    assert not any(reading.bad for reading in found)


def test_a_nudge_costs_one_turn_and_polls_go_on(eager, modbus_device):
    board, _ = eager
    board.stream(True)
    look(board, False, lambda _, found: rows(found) >= 3)
    while not board.nudge():
        board.read()
    _, found = look(board, False, lambda _, found: rows(found) >= 10)
    assert modbus_device.heard.count(IDENTIFY) == 1
    assert not any(reading.lost or reading.bad for reading in found)
    board.stream(False)


def test_a_silent_device_is_found_out_by_nudges_that_never_wait(soon_silent, modbus_device):
    board, clock = soon_silent
    modbus_device.cut = True
    clock.waits = 0
    with pytest.raises(LinkTimeout, match=r"no answer to 'identify' within 0\.2 s; nothing"):
        look(board, True, lambda *_: False)
    assert clock.waits == 0
    assert modbus_device.heard.count(IDENTIFY) == 2  # once more, as the profile has it
    assert board.nudge()  # and afresh


def test_while_a_nudge_is_on_the_line_the_next_is_not_sent(asked_at_every_look, modbus_device):
    board, _ = asked_at_every_look(reply_timeout=1.0)
    modbus_device.cut = True
    assert board.nudge()
    assert not board.nudge()
    assert not board.nudge()
    with pytest.raises(LinkTimeout):
        board.settle()
    assert modbus_device.heard.count(IDENTIFY) == 3  # the one, and the two of the question after it


def test_commands_wait_for_the_answer_to_a_nudge(eager, modbus_device):
    board, _ = eager
    for number in range(5):
        assert board.nudge()
        board.set_speed(100.0 * number)  # its answer is its own
        board.settle()
        until_quiet(board)
    assert [entry[2] for entry in modbus_device.writes] == [
        words("i", 1000 * number, low_first=True) for number in range(5)
    ]


def test_a_device_that_refuses_the_question_is_alive_all_the_same(eager, modbus_device):
    board, _ = eager
    modbus_device.refuse[0] = 6
    sent, _ = look(board, True, lambda sent, _: sent >= 6)
    assert sent >= 6
    board.settle()


def test_an_answer_that_never_comes_is_waited_for_in_vain(soon_silent, modbus_device):
    board, _ = soon_silent
    modbus_device.cut = True
    assert board.nudge()
    with pytest.raises(LinkTimeout, match="no answer to 'identify'"):
        board.settle()
    modbus_device.cut = False
    board.settle()  # nothing is to come any more
