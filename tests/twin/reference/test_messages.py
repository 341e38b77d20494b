from __future__ import annotations

import anycrc
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.twin.reference.messages import crc16, put, put_little, queue, take, whole, within
from hil.twin.reference.state import FRAME_SIZE, STATE, TX_SIZE

quick = settings(deadline=None)  # the first call compiles
LIBRARY = anycrc.Model("CRC16-IBM-3740")


def of(data: bytes) -> int:
    return crc16(np.frombuffer(data + b"\0", np.uint8), len(data))


def test_check_value_of_the_catalogue():
    # CRC catalogue (reveng), CRC-16/IBM-3740: check 29B1, table P1 (V-C)
    assert of(b"123456789") == 0x29B1


def test_is_not_the_variant_with_another_start():
    # CRC-16/AUG-CCITT of the same text is E5CC, table P8 (V-C)
    assert of(b"123456789") != 0xE5CC


def test_of_nothing_is_the_initial_value():
    assert of(b"") == 0xFFFF


@quick
@given(st.binary(max_size=200))
def test_agrees_with_the_library(data):
    assert of(data) == LIBRARY.calc(data)


@quick
@given(st.integers(-(2**31), 2**31 - 1), st.sampled_from([1, 2, 4]))
def test_little_endian_twos_complement(value, size):
    s = np.zeros(1, STATE)[0]
    put_little(s, value, size)
    expected = (value & (256**size - 1)).to_bytes(size, "little")
    assert s["frame"][:size].tobytes() == expected


def test_a_message_longer_than_its_room_is_cut_not_spilled(record):
    s = record()
    for _ in range(FRAME_SIZE + 10):
        put(s, 65)
    assert s["frame_count"] == FRAME_SIZE
    assert s["waiting_end"] == 0


def send(s, size, telemetry):
    for _ in range(size):
        put(s, 1)
    queue(s, telemetry)


def test_telemetry_leaves_room_for_answers(record):
    s = record()
    for _ in range(200):
        send(s, 60, True)
    waiting = s["waiting_end"]
    assert TX_SIZE - 128 - 60 < waiting <= TX_SIZE - 128
    send(s, 100, False)
    assert s["waiting_end"] == waiting + 100
    assert s["lost_messages"] == 200 - waiting // 60


def test_a_full_ring_drops_the_message_whole(record):
    s = record()
    for _ in range(20):
        send(s, 100, False)
    assert s["waiting_end"] == 1000
    assert s["lost_messages"] == 10
    assert s["frame_count"] == 0


def test_bytes_leave_in_order_across_the_end_of_the_ring(record):
    s = record()
    out = np.zeros(256, np.uint8)
    sent, got = b"", b""
    for turn in range(40):
        message = bytes((turn * 7 + i) & 0xFF for i in range(90))
        for byte in message:
            put(s, byte)
        queue(s, False)
        sent += message
        while count := take(s, out, 37):
            got += out[:count].tobytes()
    assert got == sent
    assert s["lost_messages"] == 0


def test_rounding_and_saturation():
    assert [whole(v) for v in (0.49, 0.5, -0.5, -0.51, 2.5)] == [0, 1, 0, -1, 3]
    assert [within(v, -5, 5) for v in (-9, 3, 9)] == [-5, 3, 5]
