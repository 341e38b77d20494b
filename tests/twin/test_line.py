"""The ends of the serial line, by themselves: order, pace, wrap-around, nothing lost."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.twin.kernel_memory import LINE_BUFFER, STATE
from hil.twin.line import SerialLine

BAUD = 100_000  # 0.1 ms a byte
BYTE = 1e-4


@pytest.fixture
def memory():
    return np.zeros(1, STATE)


@pytest.fixture
def state(memory):
    return memory[0]


def board_sends(state, data: bytes, now: float) -> None:
    for value in data:
        state["tx"][state["tx_head"] % LINE_BUFFER] = value
        state["tx_head"] += 1
    state["tx_free"] = max(state["tx_free"], now) + len(data) * BYTE


def board_reads(state, count: int) -> bytes:
    tail = int(state["rx_tail"])
    count = min(count, int(state["rx_head"]) - tail)
    state["rx_tail"] = tail + count
    return bytes(int(state["rx"][k % LINE_BUFFER]) for k in range(tail, tail + count))


def test_bytes_are_held_back_until_their_last_bit_has_left(memory, state):
    line = SerialLine(memory, BAUD)
    board_sends(state, b"abcd", now=1.0)
    assert line.drain(1.0) == b""
    assert line.drain(1.0 + 0.9 * BYTE) == b""
    assert line.drain(1.0 + 1.0 * BYTE) == b"a"
    assert line.drain(1.0 + 3.5 * BYTE) == b"bc"
    assert line.drain(2.0) == b"d"
    assert line.drain(2.0) == b""


def test_the_first_byte_of_an_idle_line_takes_a_byte_time(memory, state):
    line = SerialLine(memory, BAUD)
    line.feed(b"x", now=3.0)
    assert state["rx_next"] == pytest.approx(3.0 + BYTE)
    line.feed(b"y", now=3.0)
    assert state["rx_next"] == pytest.approx(3.0 + BYTE)  # y follows x
    assert board_reads(state, 2) == b"xy"
    state["rx_next"] = 3.0 + 3 * BYTE
    line.feed(b"z", now=3.0 + BYTE)  # sooner than the line is free
    assert state["rx_next"] == pytest.approx(3.0 + 3 * BYTE)


def test_more_than_the_line_holds_waits_outside(memory, state):
    line = SerialLine(memory, BAUD)
    data = bytes(k % 251 for k in range(3 * LINE_BUFFER))
    line.feed(data, now=0.0)
    got = b""
    while len(got) < len(data):
        got += board_reads(state, 700)
        line.exchange(now=0.0)
    assert got == data


def test_patience_is_half_a_buffer(memory):
    assert SerialLine(memory, BAUD).patience == pytest.approx(LINE_BUFFER / 2 * BYTE)


@given(pieces=st.lists(st.binary(min_size=1, max_size=900), max_size=12))
def test_both_directions_keep_order_over_the_wrap(pieces):
    memory = np.zeros(1, STATE)
    state, line = memory[0], SerialLine(memory, BAUD)
    there, back = b"", b""
    for turn, piece in enumerate(pieces):
        line.feed(piece, now=float(turn))
        there += board_reads(state, 2000)
        board_sends(state, piece, now=float(turn))
        back += line.drain(float(turn) + 0.05)
    there += board_reads(state, 20_000)
    back += line.drain(1e6)
    assert there == back == b"".join(pieces)
