"""Length-prefixed frames: where the length stands, what it counts, what the checksum covers."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing.make import make_framing
from hil.ports.link import FramingSpec


def framing(sync=b"\xaa\x55", **more):
    return make_framing(FramingSpec(kind="length", sync=sync, **more))


@pytest.mark.parametrize(
    ("more", "data"),
    [
        ({}, b"\xaa\x55\x03abc"),
        ({"length_at": 1, "length_counts": "rest"}, b"\xaa\x55a\x02bc"),
        ({"length_at": 1, "length_counts": "message"}, b"\xaa\x55a\x03bc"),
        ({"length_counts": "frame"}, b"\xaa\x55\x06abc"),
        ({"length_size": 2}, b"\xaa\x55\x03\x00abc"),
        ({"length_size": 2, "byte_order": "big"}, b"\xaa\x55\x00\x03abc"),
        ({"length_size": 4, "byte_order": "big"}, b"\xaa\x55\x00\x00\x00\x03abc"),
        # a b c = 61 62 63, sum 126; with the length 3 it is 129, with AA 55 too 228
        ({"checksum": "SUM-16", "covers": "message"}, b"\xaa\x55\x03abc\x26\x01"),
        ({"checksum": "SUM-16"}, b"\xaa\x55\x03abc\x29\x01"),
        ({"checksum": "SUM-16", "covers": "frame"}, b"\xaa\x55\x03abc\x28\x02"),
        ({"checksum": "SUM-16", "checksum_order": "big"}, b"\xaa\x55\x03abc\x01\x29"),
        (
            {"checksum": "SUM-8", "length_counts": "rest-and-checksum", "covers": "message"},
            b"\xaa\x55\x04abc\x26",
        ),
        (
            {"checksum": "SUM-8", "length_counts": "frame", "covers": "message"},
            b"\xaa\x55\x07abc\x26",
        ),
        ({"sync": b"", "checksum": "SUM-8", "covers": "message"}, b"\x03abc\x26"),
    ],
)
def test_layouts_byte_by_byte(more, data):
    found = framing(**more)
    assert found.encode(b"abc") == data
    cut = found.feed(data + data)
    assert cut.frames == [b"abc", b"abc"]
    assert cut.rejects == []


def test_any_cut_between_two_reads():
    data = framing(checksum="CRC-16/MODBUS").encode(b"hello")
    for at in range(len(data)):
        found = framing(checksum="CRC-16/MODBUS")
        cuts = [found.feed(part) for part in (data[:at], data[at:], data)]
        assert [f for cut in cuts for f in cut.frames] == [b"hello", b"hello"]
        assert not [r for cut in cuts for r in cut.rejects]


def test_noise_between_frames_is_one_reject_with_its_reason():
    found = framing(checksum="SUM-8")
    data = found.encode(b"abc")
    cut = found.feed(b"\x00\x01noise" + data + data[:-1] + b"\x00" + data)
    assert cut.frames == [b"abc", b"abc"]
    assert [reject.data for reject in cut.rejects] == [b"\x00\x01noise", data[:-1] + b"\x00"]
    assert cut.rejects[0].reason == "no sync bytes"
    assert cut.rejects[1].reason == "checksum 00, expected 29"


def test_frames_that_a_false_length_swallowed_are_found_again():
    found = framing(checksum="CRC-16/MODBUS")
    data = found.encode(b"abc")
    false = b"\xaa\x55\x14" + data + data  # claims 20 bytes and a checksum
    cut = found.feed(false)
    assert cut.frames == []  # the claim may still come true
    cut = found.feed(data)
    assert cut.frames == [b"abc"] * 3
    assert cut.rejects[0].data == b"\xaa\x55\x14"


def test_an_impossible_length_is_no_frame():
    found = framing(longest=20, checksum="SUM-8")
    cut = found.feed(b"\xaa\x55\x64" + found.encode(b"ok"))
    assert cut.frames == [b"ok"]
    assert cut.rejects[0].reason == "a frame of 104 bytes, expected 5 to 20"
    cut = found.feed(b"\xaa\x55\x00\xff" + found.encode(b"ok"))
    assert cut.frames == [b"ok"]


def test_half_the_sync_bytes_are_kept_for_the_next_read():
    found = framing()
    assert found.feed(b"xyz\xaa").frames == []
    assert found.feed(b"\x55\x01k").frames == [b"k"]


def test_messages_that_cannot_be_sent():
    with pytest.raises(ValueError, match="a message of 0 bytes is too short"):
        framing().encode(b"")
    with pytest.raises(ValueError, match="a message of 1 bytes is too short"):
        framing(length_at=2).encode(b"a")
    with pytest.raises(ValueError, match="a frame of 513 bytes, at most 512"):
        framing(length_size=2).encode(b"a" * 509)
    with pytest.raises(ValueError, match="a frame of 259 bytes"):
        framing().encode(b"a" * 256)


@pytest.mark.parametrize(
    ("more", "message"),
    [({"sync": b""}, "sync bytes or a checksum"), ({"length_size": 3}, "expected 1, 2 or 4")],
)
def test_descriptions_that_cannot_work(more, message):
    with pytest.raises(ValueError, match=message):
        framing(**more)


@st.composite
def layouts(draw: st.DrawFn):
    return {
        "sync": draw(st.sampled_from([b"\xaa\x55", b"\x02", b"\xff\xff\xff"])),
        "length_at": draw(st.integers(0, 3)),
        "length_size": draw(st.sampled_from([1, 2, 4])),
        "length_counts": draw(st.sampled_from(["message", "rest", "rest-and-checksum", "frame"])),
        "checksum": draw(st.sampled_from(["", "XOR-8", "CRC-16/MODBUS", "CRC-32/ISO-HDLC"])),
        "covers": draw(st.sampled_from(["message", "after-sync", "frame"])),
        "byte_order": draw(st.sampled_from(["little", "big"])),
    }


@settings(deadline=None)
@given(layouts(), st.lists(st.binary(min_size=4, max_size=60), min_size=1, max_size=6), st.data())
def test_any_messages_in_any_layout_come_back_in_any_pieces(layout, payloads, data):
    found = framing(**layout)
    stream = b"".join(map(found.encode, payloads))
    frames, rejects = [], []
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        cut = found.feed(stream[:size])
        stream = stream[size:]
        frames += cut.frames
        rejects += cut.rejects
    assert frames == payloads
    assert rejects == []
