"""The Modbus profile against a server of the Modbus library, serial on both sides."""

from __future__ import annotations

import struct
import time

import numpy as np
import pytest

from hil.core.drive import DriveState, Fault
from hil.core.errors import CommandRefused, LinkError, LinkTimeout

COIL, REGISTER, REGISTERS = 5, 6, 16


@pytest.fixture
def board(profiles, modbus_device, opened):
    return opened(profiles("examples/modbus"), modbus_device.url)


def words(layout, *values, low_first=False):
    data = struct.pack(f">{layout}", *values)
    found = [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]
    return found[::-1] if low_first else found


def put(device, address, values):
    device.registers[4].update(enumerate(values, start=address))


def read_until(board, done, limit=4.0):
    found, end = [], time.monotonic() + limit
    while not done(found) and time.monotonic() < end:
        found.append(board.read())
        time.sleep(0.003)
    return found


def rows(readings):
    return sum(len(r) for r in readings)


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


def test_an_address_outside_the_device_is_refused_by_the_library(profiles, modbus_device, opened):
    from dataclasses import replace

    profile = profiles("examples/modbus")
    stop = replace(profile.commands["stop"], table="holding", address=5000)
    stop = replace(stop, fields=(replace(stop.fields[0], type="u16"),))
    board = opened(replace(profile, commands={**profile.commands, "stop": stop}), modbus_device.url)
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


def test_silence_costs_a_poll_and_is_a_timeout_of_a_command(board, modbus_device):
    board.identify()
    modbus_device.cut = True
    board.stream(True)
    readings = read_until(board, lambda f: sum(r.lost for r in f) >= 1)
    assert "no answer to the poll for 'telemetry'" in "".join(t for r in readings for t in r.bad)
    with pytest.raises(LinkTimeout, match=r"no answer to 'start' within 0.3 s; nothing arrived"):
        board.start(500.0)
    modbus_device.cut = False
    board.stop()
    board.stream(False)


def test_commands_between_polls_do_not_mix(board, modbus_device):
    board.stream(True)
    for number in range(10):
        read_until(board, rows, 1.0)
        board.set_speed(100.0 * number)
    board.stream(False)
    assert [entry[2] for entry in modbus_device.writes] == [
        words("i", 1000 * number, low_first=True) for number in range(10)
    ]


def test_another_device_does_not_answer(profiles, modbus_device, opened):
    from dataclasses import replace

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
