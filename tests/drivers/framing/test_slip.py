"""SLIP against RFC 1055, its checksum, and what is not SLIP."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing import slip
from hil.drivers.framing.make import make_framing
from hil.ports.link import FramingSpec


def framing(**more):
    return make_framing(FramingSpec(kind="slip", **more))


def test_the_special_bytes_are_those_of_the_rfc():
    # RFC 1055: END 300, ESC 333, ESC_END 334, ESC_ESC 335, octal
    assert (bytes([0o300]), bytes([0o333])) == (slip.END, slip.ESC)
    assert bytes([0o333, 0o334]) == slip.ESCAPED_END
    assert bytes([0o333, 0o335]) == slip.ESCAPED_ESC


def test_end_and_esc_inside_a_message_are_escaped():
    # RFC 1055, checked against the payload bytes an independent implementation makes
    assert framing().encode(b"\xc0\xdb\x01") == b"\xdb\xdc\xdb\xdd\x01\xc0"
    assert framing().feed(b"\xdb\xdc\xdb\xdd\x01\xc0").frames == [b"\xc0\xdb\x01"]


def test_an_end_in_front_is_let_pass():
    assert framing().feed(b"\xc0\xc0hello\xc0\xc0").frames == [b"hello"]
    assert framing().feed(b"\xc0\xc0hello\xc0\xc0").rejects == []


@pytest.mark.parametrize("block", [b"\xdb", b"a\xdb", b"\xdba", b"\xdb\xdb\xdc", b"\xdd\xdb"])
def test_an_esc_with_nothing_it_escapes_is_no_slip(block):
    cut = framing().feed(block + b"\xc0ok\xc0")
    assert cut.frames == [b"ok"]
    (reject,) = cut.rejects
    assert reject.data == block
    assert "not a SLIP block (an ESC byte without ESC_END or ESC_ESC after it)" in reject.reason


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_any_content_comes_back(content):
    block = slip.encode(content)
    assert slip.END not in block
    assert slip.decode(block) == content


@settings(deadline=None)
@given(st.binary(max_size=60))
def test_decoding_agrees_with_the_state_machine_of_the_rfc(block):
    block = block.replace(slip.END, b"")
    out, escaped, good = bytearray(), False, True
    for byte in block:
        if escaped:
            good &= byte in (0xDC, 0xDD)
            out.append({0xDC: 0xC0, 0xDD: 0xDB}.get(byte, byte))
            escaped = False
        elif byte == 0xDB:
            escaped = True
        else:
            out.append(byte)
    if good and not escaped:
        assert slip.decode(block) == bytes(out)
    else:
        with pytest.raises(ValueError, match="ESC"):
            slip.decode(block)


def test_a_checksum_is_inside_and_big_endian_if_so_asked():
    found = framing(checksum="CRC-16/IBM-3740", byte_order="big")
    # CRC catalogue: check value of CRC-16/IBM-3740 is 29B1
    assert found.encode(b"123456789") == b"123456789\x29\xb1\xc0"
    assert found.feed(b"123456789\x29\xb1\xc0").frames == [b"123456789"]
    assert "checksum 29B0, expected 29B1" in found.feed(b"123456789\x29\xb0\xc0").rejects[0].reason


def test_a_checksum_may_have_an_order_of_its_own():
    found = framing(checksum="CRC-16/IBM-3740", byte_order="big", checksum_order="little")
    assert found.encode(b"123456789") == b"123456789\xb1\x29\xc0"


def test_messages_that_cannot_be_sent():
    found = framing(longest=10)
    with pytest.raises(ValueError, match="empty"):
        found.encode(b"")
    with pytest.raises(ValueError, match="a frame of 12 bytes, at most 10"):
        found.encode(b"\xc0" * 6)
