from __future__ import annotations

import struct

import anycrc
import numpy as np
import pytest
from cobs import cobs
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.twin.reference.serial_cobs import stuff, unstuff

CRC = anycrc.Model("CRC16-IBM-3740")
quick = settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def frame(payload: bytes) -> bytes:
    return cobs.encode(payload + CRC.calc(payload).to_bytes(2, "little")) + b"\0"


def frames(data: bytes) -> list[bytes]:
    """Payloads of whole frames, checked by the libraries."""
    parts = data.split(b"\0")
    assert parts.pop() == b""
    found = []
    for part in parts:
        whole = cobs.decode(part)
        assert CRC.calc(whole[:-2]).to_bytes(2, "little") == whole[-2:]
        found.append(whole[:-2])
    return found


def stuffed(data: bytes) -> bytes:
    room = np.zeros(260, np.uint8)
    room[: len(data)] = np.frombuffer(data, np.uint8)
    return room[: stuff(room, len(data))].tobytes()


def unstuffed(data: bytes) -> bytes | None:
    room = np.frombuffer(data + b"\0", np.uint8).copy()
    size = unstuff(room, len(data))
    return None if size < 0 else room[:size].tobytes()


@pytest.mark.parametrize(
    ("plain", "wire"),
    [
        # table P15, P16 (V-C, cobs 1.2.2) and P20
        ("", "01"),
        ("00", "01 01"),
        ("00 00", "01 01 01"),
        ("00 11 00", "01 02 11 01"),
        ("11 22 00 33", "03 11 22 02 33"),
        ("11 22 33 44", "05 11 22 33 44"),
        ("11 00 00 00", "02 11 01 01 01"),
        ("DE AD BE EF", "05 DE AD BE EF"),
        ("DE AD 00 BE EF", "03 DE AD 03 BE EF"),
    ],
)
def test_published_examples(plain, wire):
    assert stuffed(bytes.fromhex(plain)) == bytes.fromhex(wire)
    assert unstuffed(bytes.fromhex(wire)) == bytes.fromhex(plain)


@quick
@given(st.binary(max_size=253))
def test_stuffing_agrees_with_the_library(data):
    assert stuffed(data) == cobs.encode(data)


@quick
@given(st.binary(max_size=600))
def test_unstuffing_agrees_with_the_library(data):
    wire = cobs.encode(data)
    assert unstuffed(wire) == data


@quick
@given(st.binary(min_size=1, max_size=60).map(lambda b: b.replace(b"\0", b"\1")))
def test_unstuffing_refuses_what_the_library_refuses(wire):
    try:
        expected = cobs.decode(wire)
    except cobs.DecodeError:
        expected = None
    assert unstuffed(wire) == expected


def test_identity(board):
    got = frames(board("cobs").ask(frame(b"\x01")))
    assert got == [
        b"\x81" + b"DOSING-DRIVE".ljust(16, b"\0") + b"1.0.0".ljust(8, b"\0") + b"5EED0001"
    ]


@pytest.mark.parametrize(
    ("command", "answer"),
    [
        (b"\x02" + struct.pack("<h", 1500), b"\x82\x02"),
        (b"\x02" + struct.pack("<h", -4000), b"\x82\x02"),
        (b"\x02" + struct.pack("<h", 499), b"\x83\x02\x03"),
        (b"\x03" + struct.pack("<h", -4001), b"\x83\x03\x03"),
        (b"\x03" + struct.pack("<h", 0), b"\x82\x03"),
        (b"\x04", b"\x82\x04"),
        (b"\x05", b"\x82\x05"),
        (b"\x06\x01", b"\x82\x06"),
        (b"\x06\x02", b"\x83\x06\x03"),
        (b"\x07" + struct.pack("<H", 500), b"\x82\x07"),
        (b"\x07" + struct.pack("<H", 65535), b"\x83\x07\x03"),
        (b"\x07", b"\x83\x07\x03"),
        (b"\x04\x00", b"\x83\x04\x03"),
        (b"\x08", b"\x83\x08\x04"),
        (b"\x00", b"\x83\x00\x04"),
        (b"\xff\x01\x02", b"\x83\xff\x04"),
    ],
)
def test_answers_byte_exact(board, command, answer):
    assert board("cobs").ask(frame(command)) == frame(answer)


def test_telemetry_fields(board):
    b = board("cobs")
    b.feed(frame(b"\x03" + struct.pack("<h", -1234)) + frame(b"\x07" + struct.pack("<H", 500)))
    b.take()
    b.inputs["time"] = 70.0  # beyond the 32 bits in us would be 4295 s
    b.inputs["t_stage"] = -12.34
    b.inputs["i_bus"] = -1.5
    b.periods(120)
    got = frames(b.take())
    assert len(got) == 3
    for number, payload in enumerate(got):
        kind, seq, time, state, faults, speed, target, current, peak, volts, degrees = (
            struct.unpack("<BBIBHhhhHHh", payload)
        )
        assert (kind, seq, state, faults, speed, target) == (0x90, number, 0, 0, 0, -1234)
        assert time == pytest.approx(70e6 + 2000 * (number + 1) - 50, abs=1)
        assert (current, peak, volts) == (0, 150, 2400)
    assert degrees == -123


def test_time_wraps_at_32_bits(board):
    b = board("cobs", stream_rate=1000.0)
    b.take()
    b.inputs["time"] = 2**32 * 1e-6 + 0.5
    b.periods(20)
    (time,) = {struct.unpack("<BBI", p[:6])[2] for p in frames(b.take())}
    assert 500_000 <= time < 502_000


def test_fields_saturate_instead_of_wrapping(board):
    b = board("cobs", defects={"report_peak_scale": 1e6, "report_voltage_scale": 100.0})
    b.feed(frame(b"\x07" + struct.pack("<H", 1000)))
    b.take()
    b.inputs["i_bus"] = 3.0
    b.periods(20)
    payload = frames(b.take())[0]
    assert struct.unpack("<HH", payload[15:19]) == (65535, 65535)


@quick
@given(
    before=st.binary(max_size=120),
    damage=st.integers(0, 5),
    bit=st.integers(0, 7),
)
def test_garbage_and_damaged_frames_are_ignored_and_the_next_frame_heard(
    board, before, damage, bit
):
    b = board("cobs")
    good = frame(b"\x02" + struct.pack("<h", 1500))
    bad = bytearray(good)
    bad[damage % (len(bad) - 1)] ^= 1 << bit
    b.feed(before + b"\0" + bytes(bad) + b"\0")
    state = int(b.state["state"])
    b.take()
    if b"\0" not in bytes(bad[:-1]) and state == 0:
        assert b.ask(frame(b"\x04")) == frame(b"\x82\x04")
    else:  # the damage split the frame: still nothing may have been obeyed by accident
        assert frames(b.ask(frame(b"\x01")))[-1][:1] == b"\x81"
    assert state == 0 or good in before


@quick
@given(st.lists(st.integers(1, 9), min_size=1, max_size=40))
def test_bytes_may_arrive_in_any_portions(board, portions):
    b = board("cobs")
    wire = frame(b"\x01") * 3
    start = 0
    b.take()
    for size in portions:
        b.feed(wire[start : start + size])
        start += size
    b.feed(wire[start:])
    assert len(frames(b.take())) == 3
