"""Frames from start bytes to end bytes, with an escape byte and without."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing.make import make_framing
from hil.ports.link import FramingSpec


def framing(start=b"\x02", end=b"\x03", **more):
    return make_framing(FramingSpec(kind="delimited", start=start, end=end, **more))


FLAG = {"start": b"\x7e", "end": b"\x7e", "escape": 0x7D}


def test_a_frame_is_what_lies_between():
    assert framing().encode(b"abc") == b"\x02abc\x03"
    assert framing().feed(b"\x02abc\x03\x02d\x03").frames == [b"abc", b"d"]


def test_flag_bytes_and_escapes_as_on_synchronous_lines():
    # RFC 1662, 4.2: 7E becomes 7D 5E, 7D becomes 7D 5D
    found = framing(**FLAG)
    assert found.encode(b"\x7e\x7d\x11") == b"\x7e\x7d\x5e\x7d\x5d\x11\x7e"
    assert found.feed(b"\x7e\x7d\x5e\x7d\x5d\x11\x7e").frames == [b"\x7e\x7d\x11"]
    # one flag may stand between two frames
    assert found.feed(b"\x7eab\x7ecd\x7e").frames == [b"ab", b"cd"]


def test_several_start_and_end_bytes():
    found = framing(b"\x10\x02", b"\x10\x03", escape=0x1B)
    data = found.encode(b"\x10\x02\x03\x1b!")
    assert data.startswith(b"\x10\x02")
    assert data.endswith(b"\x10\x03")
    assert data.count(b"\x10") == 2
    for cut in range(1, len(data)):
        fresh = framing(b"\x10\x02", b"\x10\x03", escape=0x1B)
        assert fresh.feed(data[:cut]).frames + fresh.feed(data[cut:]).frames == [
            b"\x10\x02\x03\x1b!"
        ]


def test_noise_in_front_is_rejected_and_the_frame_kept():
    cut = framing().feed(b"xx\x02abc\x03")
    assert cut.frames == [b"abc"]
    assert [(r.data, r.reason) for r in cut.rejects] == [
        (b"xx", "no end of frame before the next start")
    ]


def test_a_frame_without_its_end_costs_only_itself():
    cut = framing().feed(b"\x02lost\x02kept\x03")
    assert cut.frames == [b"kept"]
    assert cut.rejects[0].data == b"\x02lost"


def test_no_start_at_all():
    cut = framing().feed(b"noise\x03\x02ok\x03")
    assert cut.frames == [b"ok"]
    assert "not a frame (no start bytes)" in cut.rejects[0].reason


@pytest.mark.parametrize("block", [b"ab\x7d", b"\x7d\x7d\x5e"])
def test_an_escape_of_nothing(block):
    cut = framing(**FLAG).feed(b"\x7e" + block + b"\x7eok\x7e")
    assert cut.frames == [b"ok"]
    assert "an escape byte without a byte after it" in cut.rejects[0].reason


def test_the_checksum_may_cover_the_start():
    plain = framing(checksum="SUM-8")
    whole = framing(checksum="SUM-8", covers="frame")
    assert plain.encode(b"\x10\x20") == b"\x02\x10\x20\x30\x03"
    assert whole.encode(b"\x10\x20") == b"\x02\x10\x20\x32\x03"
    assert whole.feed(b"\x02\x10\x20\x32\x03").frames == [b"\x10\x20"]
    assert plain.feed(b"\x02\x10\x20\x32\x03").frames == []


def test_without_an_escape_a_message_with_a_delimiter_cannot_be_sent():
    for content in (b"a\x02b", b"a\x03b"):
        with pytest.raises(ValueError, match=r"with the delimiter .* in it cannot be sent"):
            framing().encode(content)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"end": b""}, "needs end bytes"),
        ({"escape": 0x03}, "neither a start nor an end byte"),
        ({"start": b"\x21", "end": b"\x01", "escape": 0x10}, "escaping with xor 0x20 makes"),
        ({"start": b"\x5d", "end": b"\x7e", "escape": 0x7D}, "escaping with xor 0x20 makes"),
    ],
)
def test_descriptions_that_cannot_work(more, message):
    with pytest.raises(ValueError, match=message):
        framing(**more)


@settings(deadline=None)
@given(
    st.binary(min_size=1, max_size=200),
    st.sampled_from([FLAG, {"start": b"\x02", "end": b"\x03", "escape": 0x1B, "escape_xor": 0x80}]),
    st.sampled_from(["", "XOR-8", "CRC-32/ISO-HDLC"]),
)
def test_any_message_comes_back_when_there_is_an_escape(payload, marks, checksum):
    found = framing(**marks, checksum=checksum)
    data = found.encode(payload)
    assert data.count(marks["end"]) == (2 if marks["start"] == marks["end"] else 1)
    cut = found.feed(data)
    assert cut.frames == [payload]
    assert cut.rejects == []
