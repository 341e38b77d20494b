"""Fields in Modbus registers and bits, byte by byte, and whole sessions watched."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.bit_message import ReadCoilsResponse
from pymodbus.pdu.exceptionresponse import ExceptionResponse
from pymodbus.pdu.register_message import ReadInputRegistersResponse

from hil.drivers.make_watch import make_watch
from hil.drivers.modbus import (
    check_span,
    decoder,
    fits,
    places,
    read_request,
    span,
    values_read,
    write_request,
)
from hil.drivers.modbus_board import silent_interval
from hil.plan.load import load_profile
from hil.ports.link import FieldSpec, FramingSpec, MessageSpec

FRAMING = FramingSpec(kind="modbus", device=17)
LOW_FIRST = FramingSpec(kind="modbus", device=17, word_order="low-first")


def message(table, *fields, address=107):
    specs = tuple(
        FieldSpec(name=f"f{n}", type=kind, size=size)
        for n, (kind, size) in enumerate((f, 0) if isinstance(f, str) else f for f in fields)
    )
    return MessageSpec(name="m", key="", fields=specs, table=table, address=address)


def frame(pdu):
    return FramerRTU(decoder()).buildFrame(pdu)


def test_frames_against_printed_examples():
    # P10 (widely printed, V-C): CRC bytes on the wire, low byte first
    assert frame(read_request(message("holding", "u16", "u16", "u16"), FRAMING)) == bytes.fromhex(
        "11 03 00 6B 00 03 76 87"
    )
    coil = message("coil", "bit", address=172)
    assert frame(write_request(coil, [1], FRAMING)) == bytes.fromhex("11 05 00 AC FF 00 4E 8B")
    first = FramingSpec(kind="modbus", device=1)
    ten = message("holding", *["u16"] * 10, address=0)
    assert frame(read_request(ten, first)) == bytes.fromhex("01 03 00 00 00 0A C5 CD")
    one = message("holding", "u16", address=0)
    assert frame(read_request(one, first)) == bytes.fromhex("01 03 00 00 00 01 84 0A")


def test_tables_have_functions_of_their_own():
    kinds = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
    for table, function in kinds.items():
        kind = "bit" if table in ("coil", "discrete") else "u16"
        assert read_request(message(table, kind), FRAMING).function_code == function
    assert write_request(message("coil", "bit", "bit"), [1, 0], FRAMING).function_code == 15
    assert write_request(message("holding", "u16"), [1], FRAMING).function_code == 6
    assert write_request(message("holding", "u32"), [1], FRAMING).function_code == 16


NUMBERS = {"u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q", "i64": "q", "f32": "f",
           "f64": "d"}  # fmt: skip


@settings(deadline=None)
@given(st.lists(st.sampled_from(sorted(NUMBERS)), min_size=1, max_size=8), st.data(),
       st.sampled_from([FRAMING, LOW_FIRST]))  # fmt: skip
def test_registers_both_ways(kinds, data, framing):
    block = message("holding", *kinds)
    raw = []
    for kind in kinds:
        if kind[0] == "f":
            raw.append(data.draw(st.floats(width=int(kind[1:]), allow_nan=False,
                                           allow_infinity=False)))  # fmt: skip
        else:
            low = 0 if kind[0] == "u" else -(1 << int(kind[1:]) - 1)
            raw.append(data.draw(st.integers(low, low + (1 << int(kind[1:])) - 1)))
    registers = write_request(block, raw, framing).registers
    assert len(registers) == span(block)
    answer = ReadInputRegistersResponse(registers=registers)
    assert values_read(block, answer, framing) == raw
    at = 0
    for kind, value in zip(kinds, raw, strict=True):
        count = places(FieldSpec(name="x", type=kind), "holding")
        words = registers[at : at + count]
        words = words if framing is FRAMING else words[::-1]
        assert struct.pack(f">{count}H", *words) == struct.pack(f">{NUMBERS[kind]}", value)
        at += count


def test_texts_fill_registers_two_characters_each():
    block = message("holding", ("text", 6))
    assert write_request(block, ["ABC"], FRAMING).registers == [0x4142, 0x4300, 0]
    answer = ReadInputRegistersResponse(registers=[0x4142, 0x4320, 0])
    assert values_read(block, answer, FRAMING) == ["ABC"]


def test_a_float_that_is_no_number_is_no_value():
    block = message("input", "f32")
    (value,) = values_read(block, ReadInputRegistersResponse(registers=[0x7FC0, 0]), FRAMING)
    assert math.isnan(value)


def test_bits_are_taken_from_the_lowest_up():
    block = message("coil", "bit", "u8", "bit")
    answer = ReadCoilsResponse(bits=[True, *[False] * 7, True, True, *[False] * 6])
    assert values_read(block, answer, FRAMING) == [1, 0b10000000, 1]
    assert write_request(block, [1, 0b10000000, 1], FRAMING).bits == [
        True, *[False] * 7, True, True,
    ]  # fmt: skip


def test_answers_of_the_wrong_size():
    block = message("input", "u16", "u16")
    assert values_read(block, ReadInputRegistersResponse(registers=[1]), FRAMING) == (
        "1 registers, expected 2"
    )
    answer = ReadCoilsResponse(bits=[True] * 16)
    assert values_read(message("coil", "bit"), answer, FRAMING) == "16 bits, expected 1"


@pytest.mark.parametrize(
    ("block", "write", "text"),
    [
        (message("input", *["u16"] * 126), False, "126 places from 107, expected 1 to 125"),
        (message("holding", *["u16"] * 124), True, "expected 1 to 123"),
        (message("input", "u16"), True, "table input cannot be written"),
        (message("holding", "u16", address=65536), False, "1 places from 65536"),
        (message("holding", "u8"), False, "does not fill whole registers"),
        (message("holding", ("text", 5)), False, "does not fill whole registers"),
        (message("coil", "f32"), False, "does not fit a coil"),
        (message("", "u16"), False, "no table"),
        (message("holding"), False, "0 places"),
    ],
)
def test_blocks_that_are_no_transaction(block, write, text):
    with pytest.raises(ValueError, match=text):
        check_span(block, write=write)


def test_an_answer_is_matched_by_function_and_place():
    request = write_request(message("holding", "u16"), [5], FRAMING)
    same = DecodePDU(is_server=False).decode(bytes([6]) + struct.pack(">HH", 107, 5))
    other = DecodePDU(is_server=False).decode(bytes([6]) + struct.pack(">HH", 108, 5))
    assert fits(request, same)
    assert not fits(request, other)
    assert fits(request, ExceptionResponse(6, 2))
    assert not fits(request, ExceptionResponse(3, 2))


def test_the_silence_between_frames():
    # MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters, 1.75 ms above 19200 baud
    assert silent_interval(9600) == pytest.approx(4.01e-3, rel=1e-3)
    assert silent_interval(115200) == 1.75e-3


# ---------------------------------------------------------------------- a session, watched

PROFILE = load_profile(
    Path(__file__).parents[2] / "testplans" / "profiles" / "examples" / "modbus.profile.yaml"
)


def answer_to(request_frame, pdu):
    del request_frame
    pdu.dev_id = 17
    return FramerRTU(decoder()).buildFrame(pdu)


def test_a_watch_pairs_requests_and_answers():
    watch = make_watch(PROFILE)
    telemetry = PROFILE.messages["telemetry"]
    request = frame(read_request(telemetry, PROFILE.framing))
    for number in range(3):
        watch.piece(float(number), True, request)
        registers = [number, number * 1000, 0, 3, 20000, 0, 1500, 2400, 0]
        data = answer_to(request, ReadInputRegistersResponse(registers=registers))
        watch.piece(number + 0.01, False, data[:5])
        watch.piece(number + 0.02, False, data[5:])
    assert watch.commands == {"read telemetry": 3}
    values = watch.seen["telemetry"].values
    assert values["reported.speed"] == 2000.0
    assert values["reported.voltage"] == pytest.approx(24.0)
    assert (watch.lost, watch.undecoded) == (0, 0)


def test_a_watch_names_exceptions_and_garbage():
    watch = make_watch(PROFILE)
    request = frame(read_request(PROFILE.messages["telemetry"], PROFILE.framing))
    watch.piece(0.0, True, request)
    watch.piece(0.1, False, answer_to(request, ExceptionResponse(4, 6)))
    assert watch.seen["exception"].values == {"reason": "busy, the motor is turning"}
    assert watch.lost == 1
    watch.piece(1.0, True, request)
    watch.piece(1.1, False, b"\x11\x04garbage")
    watch.piece(2.0, True, request)
    assert [left.data for left in watch.left] == [b"\x11\x04garbage"]
    watch.piece(2.1, False, bytes(300))
    assert len(watch.left) == 2
