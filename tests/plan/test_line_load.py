"""How long telemetry frames are, and how long they take."""

from dataclasses import replace

import pytest

from hil.plan.line_load import frame_time, least_bytes, usual_bytes
from hil.ports.link import FieldSpec, FramingSpec, LinkDescription, MessageSpec


def speaking(framing: FramingSpec, *fields: FieldSpec, baud: int = 10_000) -> LinkDescription:
    """A link whose telemetry has these fields."""
    telemetry = MessageSpec(name="telemetry", key=1, fields=fields)
    return LinkDescription(
        name="example", baud=baud, framing=framing, messages={"telemetry": telemetry}, commands={}
    )


def test_a_binary_frame_takes_ten_bits_a_byte_whatever_its_types() -> None:
    cobs = FramingSpec(kind="cobs")
    empty = frame_time(speaking(cobs))
    for kind, size in {"u8": 1, "i16": 2, "f32": 4, "u64": 8, "f64": 8}.items():
        frame = frame_time(speaking(cobs, FieldSpec(name="x", type=kind)))  # type: ignore[arg-type]
        assert frame - empty == pytest.approx(10.0 * size / 10_000), kind
    text = FieldSpec(name="x", type="text", size=12)
    assert frame_time(speaking(cobs, text)) - empty == pytest.approx(0.012)


def test_a_line_of_text_takes_what_its_characters_take() -> None:
    """``1,-1234*ABCD`` and its end: a key, a number as they usually are, a checksum."""
    lines = FramingSpec(kind="lines", checksum="CRC-16/IBM-3740", mark=b"*")
    link = speaking(lines, FieldSpec(name="x", type="number"))
    assert least_bytes(link) == len(b"1,1*ABCD" + lines.terminator)
    assert usual_bytes(link) == len(b"1,-1234*ABCD" + lines.terminator)
    assert frame_time(link) == pytest.approx(usual_bytes(link) * 10 / 10_000)


def test_a_faster_line_takes_less_time() -> None:
    slow = speaking(FramingSpec(kind="lines"), FieldSpec(name="x", type="number"))
    fast = replace(slow, baud=40_000)
    assert frame_time(fast) == pytest.approx(frame_time(slow) / 4.0)
