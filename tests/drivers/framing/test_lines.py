"""Line framing: checksum, tolerated endings, noise."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.framing.base import Reject, readable
from hil.drivers.framing.lines import LineFraming
from hil.drivers.framing.make import make_framing
from hil.ports.link import FramingSpec

PRINTABLE = st.text(
    st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=60
).map(str.encode)


def checked(terminator: bytes = b"\n", longest: int = 512) -> LineFraming:
    return LineFraming(
        FramingSpec(
            kind="lines", checksum="CRC-16/IBM-3740", terminator=terminator, longest=longest
        )
    )


def plain(terminator: bytes = b"\n", longest: int = 512) -> LineFraming:
    return LineFraming(FramingSpec(kind="lines", terminator=terminator, longest=longest))


def test_the_check_value_of_the_catalogue_on_a_line():
    # P1: CRC catalogue (reveng), V-C
    assert checked().encode(b"123456789") == b"123456789*29B1\n"
    assert checked().feed(b"123456789*29B1\n").frames == [b"123456789"]


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_carriage_return_and_empty_lines_are_let_pass(ending):
    cut = checked().feed(ending + b"123456789*29B1" + ending + ending)
    assert (cut.frames, cut.rejects) == ([b"123456789"], [])


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"123456789", "no checksum"),
        (b"123456789*29B2", "checksum '29B2', expected 29B1"),
        (b"123456789*29b1", "checksum '29b1', expected 29B1"),
        (b"123456789*029B1", "checksum '029B1', expected 29B1"),
        (b"123456789*", "checksum '', expected 29B1"),
        (b"123456789*+9B1", "checksum '+9B1', expected 29B1"),
        (b"*FFFF", "empty message"),
        (b"12345\x00789*%04X" % binascii.crc_hqx(b"12345\x00789", 0xFFFF), "not printable ASCII"),
        (b"\xff\xfe", "no checksum"),
    ],
)
def test_bad_lines_are_rejected_with_their_reason(line, reason):
    cut = checked().feed(line + b"\n123456789*29B1\n")
    assert cut.frames == [b"123456789"]
    assert [(reject.data, reject.reason) for reject in cut.rejects] == [(line, reason)]


def test_a_star_inside_a_message_is_data():
    framing = checked()
    assert framing.feed(framing.encode(b"a*b")).frames == [b"a*b"]


def test_without_a_checksum_the_line_is_the_message():
    assert plain().encode(b"stop") == b"stop\n"
    assert plain().feed(b"stop\r\nok*12\n").frames == [b"stop", b"ok*12"]


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n", b"\r", b";"])
@settings(deadline=None)
@given(payloads=st.lists(PRINTABLE, max_size=6), size=st.integers(1, 9))
def test_round_trip_in_pieces_of_any_size(terminator, payloads, size):
    payloads = [payload.replace(b";", b",") for payload in payloads]
    framing = checked(terminator)
    stream = b"".join(framing.encode(payload) for payload in payloads)
    found = []
    for start in range(0, len(stream), size):
        cut = framing.feed(stream[start : start + size])
        found += cut.frames
        assert cut.rejects == []
    assert found == payloads


@settings(deadline=None)
@given(st.lists(st.binary(max_size=900), max_size=10))
def test_any_bytes_are_taken_and_the_next_line_is_found(noise):
    framing = checked()
    for piece in noise:
        framing.feed(piece)
    framing.feed(b"\n")
    assert framing.feed(b"123456789*29B1\n").frames == [b"123456789"]


@pytest.mark.parametrize("terminator", [b"\n", b"\r\n"])
def test_memory_is_bounded_and_the_noise_reported_once(terminator):
    framing = checked(terminator, longest=64)
    rejects = []
    for _ in range(500):
        rejects += framing.feed(b"U" * 40).rejects
        assert len(framing._splitter._rest) <= 65
    assert len(rejects) == 1
    assert len(rejects[0].data) == 64
    cut = framing.feed(b"rest" + terminator + b"123456789*29B1" + terminator)
    assert (cut.frames, cut.rejects) == ([b"123456789"], [])


def test_a_terminator_cut_in_two_while_noise_is_dropped_still_ends_it():
    framing = plain(b"\r\n", longest=8)
    framing.feed(b"U" * 40 + b"\r")
    assert framing.feed(b"\nstop\r\n").frames == [b"stop"]


@pytest.mark.parametrize("payload", [b"", b"a\nb", b"\xb5", b"a\tb"])
def test_what_cannot_stand_on_a_line_is_refused(payload):
    with pytest.raises(ValueError, match="printable ASCII"):
        checked().encode(payload)


def test_terminator_inside_a_message_and_overlong_lines_are_refused():
    with pytest.raises(ValueError, match="terminator"):
        plain(b";").encode(b"a;b")
    with pytest.raises(ValueError, match="at most 16"):
        plain(longest=16).encode(b"x" * 17)


def test_make_framing_knows_its_kinds():
    assert isinstance(make_framing(FramingSpec(kind="lines")), LineFraming)
    with pytest.raises(ValueError, match="unknown framing 'modbus', expected one of lines, cobs"):
        make_framing(FramingSpec(kind="modbus"))
    with pytest.raises(ValueError, match="catalogue"):
        make_framing(FramingSpec(kind="cobs", checksum="CRC-16/NOBODY"))
    with pytest.raises(ValueError, match="delimiter"):
        make_framing(FramingSpec(kind="lines", terminator=b""))


def dressed(**more):
    return make_framing(FramingSpec(kind="lines", **more))


def test_a_prompt_in_front_of_a_line_is_dropped():
    found = dressed(prompt=b"> ")
    cut = found.feed(b"> t,1\n> > t,2\n> \n>\nt,3\n> ")
    assert cut.frames == [b"t,1", b"t,2", b"t,3"]
    assert cut.rejects == []


def test_an_echo_is_dropped_once():
    found = dressed(echo=True, prompt=b"> ")
    found.sent(found.encode(b"start,100"))
    cut = found.feed(b"> start,100\r\ndone,start\r\nstart,100\r\n")
    assert cut.frames == [b"done,start", b"start,100"]


def test_an_echo_that_was_lost_does_not_stay_expected_for_ever():
    found = dressed(echo=True)
    for payload in (b"one", b"two", b"three"):
        found.sent(found.encode(payload))
    assert found.feed(b"two\nreply\none\nthree\n").frames == [b"reply", b"one"]
    for number in range(100):
        found.sent(found.encode(b"x%d" % number))
    assert len(found._echoes) <= 16


def test_an_echo_without_the_profile_saying_so_is_a_message():
    found = dressed()
    found.sent(found.encode(b"start"))
    assert found.feed(b"start\n").frames == [b"start"]


def test_lines_that_begin_with_something():
    found = dressed(begin=b"$", checksum="XOR-8", terminator=b"\r\n")
    # P26 (widely printed, V-C)
    sentence = b"$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n"
    assert found.encode(sentence[1:-5]) == sentence
    cut = found.feed(sentence + b"noise" + sentence + b"GPGLL*27\r\n")
    assert cut.frames == [sentence[1:-5]] * 2
    assert [reject.reason for reject in cut.rejects] == [
        "noise before '$'",
        "does not begin with '$'",
    ]
    with pytest.raises(ValueError, match=r"must not contain '\$'"):
        found.encode(b"a$b")


def test_digits_and_mark_of_the_checksum():
    line = b"123456789"  # CRC catalogue: check value 29B1
    assert dressed(checksum="CRC-16/IBM-3740", digits="lower").encode(line) == line + b"*29b1\n"
    assert dressed(checksum="CRC-16/IBM-3740", mark=b" #").encode(line) == line + b" #29B1\n"
    for digits, good, bad in (
        ("upper", b"*29B1", b"*29b1"),
        ("lower", b"*29b1", b"*29B1"),
        ("any", b"*29b1", b"*29B2"),
        ("any", b"*29B1", b"*029B1"),
    ):
        found = dressed(checksum="CRC-16/IBM-3740", digits=digits)
        assert found.feed(line + good + b"\n").frames == [line]
        assert found.feed(line + bad + b"\n").frames == []
    with pytest.raises(ValueError, match="needs a mark"):
        dressed(checksum="XOR-8", mark=b"")


@given(
    payloads=st.lists(
        st.binary(min_size=0, max_size=20).filter(lambda found: b"\n" not in found), max_size=6
    ),
    spoilt=st.booleans(),
)
def test_sound_lines_read_together_are_what_each_of_them_is(payloads, spoilt) -> None:
    """A bad line among them makes every line be looked at by itself: the others stay the same."""
    # the CRC of binascii from all ones is CRC-16/IBM-3740
    lines = [b"%s*%04X\n" % (one, binascii.crc_hqx(one, 0xFFFF)) for one in payloads]
    if spoilt:
        lines.append(b"x*0000\n")
    together, framing = checked().feed(b"".join(lines)), checked()
    apart = [framing.feed(line) for line in lines]
    assert together.frames == [frame for cut in apart for frame in cut.frames]
    assert together.rejects == [reject for cut in apart for reject in cut.rejects]
    printable = [one for one in payloads if one and all(0x20 <= byte < 0x7F for byte in one)]
    assert [frame for frame in together.frames if frame in printable] == printable


@pytest.mark.parametrize(
    ("data", "text"),
    [(b"im", "'im'"), (b"$", "'$'"), (b"", "''"), (b"\xff\x00a", "ff 00 61"), (b"a\n", "61 0a")],
)
def test_bytes_in_messages_are_text_where_they_can_be(data: bytes, text: str) -> None:
    assert readable(data) == text
    assert str(Reject(data, "no checksum")) == f"no checksum: {text}"
