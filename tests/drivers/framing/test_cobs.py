"""COBS framing against published blocks, and against bad bytes."""

from __future__ import annotations

import binascii
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing.cobs import CobsFraming
from hil.ports.link import FramingSpec


def plain(longest: int = 4096) -> CobsFraming:
    return CobsFraming(FramingSpec(kind="cobs", longest=longest))


def checked(order: str = "little") -> CobsFraming:
    return CobsFraming(FramingSpec(kind="cobs", checksum="CRC-16/IBM-3740", byte_order=order))


COUNT = bytes(range(256))
PUBLISHED = [
    # P15, P16 (cobs 1.2.2, V-C)
    (b"\x00", b"\x01\x01"),
    (b"\x00\x00", b"\x01\x01\x01"),
    (b"\x00\x11\x00", b"\x01\x02\x11\x01"),
    (b"\x11\x22\x00\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\x22\x33\x44", b"\x05\x11\x22\x33\x44"),
    (b"\x11\x00\x00\x00", b"\x02\x11\x01\x01\x01"),
    # P17 (cobs, V-C): the 254 byte boundary; no trailing 01 after an exact block
    (COUNT[1:255], b"\xff" + COUNT[1:255]),
    (COUNT[0:255], b"\x01\xff" + COUNT[1:255]),
    (COUNT[1:256], b"\xff" + COUNT[1:255] + b"\x02\xff"),
    (COUNT[2:256] + b"\x00", b"\xff" + COUNT[2:256] + b"\x01\x01"),
    (COUNT[3:256] + b"\x00\x01", b"\xfe" + COUNT[3:256] + b"\x02\x01"),
    # P18 (Cheshire & Baker, IEEE/ACM ToN 7(2), 1999, Fig. 2, V-CD)
    (
        b"\x01" * 679 + b"\x00",
        b"\xff" + b"\x01" * 254 + b"\xff" + b"\x01" * 254 + b"\xac" + b"\x01" * 171 + b"\x01",
    ),
    # P20 (star-delta relation, textbook, V-CD)
    (b"\xde\xad\xbe\xef", b"\x05\xde\xad\xbe\xef"),
    (b"\xde\xad\x00\xbe\xef", b"\x03\xde\xad\x03\xbe\xef"),
]


@pytest.mark.parametrize(("payload", "block"), PUBLISHED)
def test_published_blocks(payload, block):
    assert plain().encode(payload) == block + b"\x00"
    cut = plain().feed(block + b"\x00")
    assert cut.frames == [payload]
    assert cut.rejects == []


def test_length_of_the_figure():
    # P18: 680 bytes become 683
    assert len(plain().encode(b"\x01" * 679 + b"\x00")) - 1 == 683


def test_empty_message():
    # P15: an empty message would be the block 01; no protocol has a use for it
    with pytest.raises(ValueError, match="empty"):
        plain().encode(b"")
    assert plain().feed(b"\x01\x00").rejects[0].reason == "0 bytes, too short for a message"


@settings(deadline=None)
@given(st.binary(min_size=1, max_size=2000))
def test_overhead_bound(payload):
    # P21 (paper, V-CD): at most ceil(n / 254) extra bytes, at least one, and the delimiter
    block = plain().encode(payload)
    assert len(payload) + 1 < len(block) <= len(payload) + max(1, math.ceil(len(payload) / 254)) + 1
    assert b"\x00" not in block[:-1]


@settings(deadline=None)
@given(
    st.lists(st.binary(min_size=1, max_size=60), max_size=8),
    st.lists(st.integers(0, 40), max_size=20),
    st.sampled_from(["little", "big"]),
)
def test_round_trip_in_pieces_of_any_size(payloads, sizes, order):
    framing = checked(order)
    stream = b"".join(framing.encode(payload) for payload in payloads)
    found, rejects = [], []
    for size in [*sizes, len(stream)]:
        piece, stream = stream[:size], stream[size:]
        cut = framing.feed(piece)
        found += cut.frames
        rejects += cut.rejects
    assert found == payloads
    assert rejects == []


def test_checksum_is_inside_and_little_endian():
    # CRC computed by the standard library, independently of the code under test
    crc = binascii.crc_hqx(b"\x82\x02", 0xFFFF)
    assert checked().feed(plain().encode(b"\x82\x02" + crc.to_bytes(2, "little"))).frames == [
        b"\x82\x02"
    ]
    swapped = checked().feed(plain().encode(b"\x82\x02" + crc.to_bytes(2, "big")))
    assert swapped.frames == []
    assert swapped.rejects[0].reason.endswith(f"expected {crc:04X}")


@settings(deadline=None)
@given(st.binary(min_size=1, max_size=30), st.data())
def test_a_flipped_bit_never_passes(payload, data):
    block = bytearray(checked().encode(payload))
    place = data.draw(st.integers(0, len(block) - 2))
    block[place] ^= 1 << data.draw(st.integers(0, 7))
    assert payload not in checked().feed(bytes(block)).frames


@settings(deadline=None)
@given(st.lists(st.binary(max_size=300), max_size=10))
def test_any_bytes_are_taken_and_the_next_frame_is_found(noise):
    framing = checked()
    for piece in noise:
        framing.feed(piece)
    framing.feed(b"\x00")
    assert framing.feed(framing.encode(b"\x84")).frames == [b"\x84"]


def test_zero_bytes_between_frames_are_let_pass():
    framing = checked()
    cut = framing.feed(b"\x00\x00" + framing.encode(b"\x84") + b"\x00" + framing.encode(b"\x85"))
    assert (cut.frames, cut.rejects) == ([b"\x84", b"\x85"], [])


def test_memory_is_bounded_and_the_noise_reported_once():
    framing = plain(longest=100)
    rejects = []
    for _ in range(1000):
        rejects += framing.feed(b"\xaa" * 50).rejects
        assert len(framing._splitter._rest) <= 100
    assert [reject.reason[:35] for reject in rejects] == ["no end of frame within 100 bytes (1"]
    cut = framing.feed(b"tail\x00" + framing.encode(b"ok"))
    assert (cut.frames, cut.rejects) == ([b"ok"], [])


def test_a_whole_frame_that_is_too_long_is_dropped():
    framing = plain(longest=20)
    cut = framing.feed(plain().encode(b"x" * 30) + framing.encode(b"ok"))
    assert cut.frames == [b"ok"]
    assert "within 20 bytes (31 arrived)" in cut.rejects[0].reason
    with pytest.raises(ValueError, match="31 bytes, at most 20"):
        framing.encode(b"x" * 30)


def test_reject_shows_bytes_and_reason():
    reject = checked().feed(b"\x50" + b"\x01" * 40 + b"\x00").rejects[0]
    text = str(reject)
    assert text.startswith("not a COBS block (")
    assert ": 50 01 01" in text  # no text: in hexadecimal digits
    assert text.endswith("... 41 bytes")
