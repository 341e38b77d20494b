"""Blocks of numbers: whole, cut by new lines among the data, or not what they say they are."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyvisa.constants import ResourceAttribute

from hil.core.errors import InstrumentError
from hil.drivers.scpi_block import ask_block_or_text, block_bounds, numbers

#: A number whose eight bytes are all new lines.
NEW_LINES = float(np.frombuffer(b"\n" * 8, ">f8")[0])


def block(values, digits: int = 0) -> bytes:
    """As IEEE 488.2, 8.7.9 has it, written independently of the code under test."""
    data = np.array(values, ">f8").tobytes()
    size = f"{len(data):0{digits}d}"
    return b"#" + str(len(size)).encode() + size.encode() + data


class Stream:
    """The answer of a raw socket, as PyVISA gives it: one read ends at a new line."""

    read_termination = "\n"

    def __init__(self, answer: bytes) -> None:
        self.rest, self.written = answer, []
        self.stops = True

    def set_visa_attribute(self, name: object, value: bool) -> None:
        assert name == ResourceAttribute.termchar_enabled
        self.stops = value

    def write(self, command: str) -> None:
        self.written.append(command)

    def read_raw(self) -> bytes:
        at = self.rest.index(b"\n") + 1
        found, self.rest = self.rest[:at], self.rest[at:]
        return found

    def read_bytes(self, count: int) -> bytes:
        assert not self.stops, "it would stop at each new line among the data"
        found, self.rest = self.rest[:count], self.rest[count:]
        assert len(found) == count, "it would wait for what does not come"
        return found


class Messages(Stream):
    """A transport that marks the end of a message itself: one read gives all of it."""

    read_termination = None

    def read_raw(self) -> bytes:
        return self.rest


@given(
    values=st.lists(st.one_of(st.floats(allow_nan=False), st.just(NEW_LINES)), max_size=40),
    digits=st.integers(1, 9),
)
def test_every_number_arrives_bit_by_bit(values, digits) -> None:
    answer = block(values, digits)
    stream = Stream(answer + b"\n")
    for resource in (stream, Messages(answer), Messages(answer + b"\n")):
        found = ask_block_or_text(resource, "FETC?")
        assert isinstance(found, np.ndarray)
        assert found.dtype == np.float64
        assert found.tobytes() == np.array(values, np.float64).tobytes()
        assert resource.stops, "the next answer may be text"
    assert stream.rest == b""
    assert stream.written == ["FETC?"]


@given(text=st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=30))
def test_what_is_no_block_is_text(text) -> None:
    if not text.startswith("#"):
        assert ask_block_or_text(Stream(text.encode() + b"\r\n"), "?") == text.strip()


@pytest.mark.parametrize("head", [b"#", b"#0", b"#x16", b"#2", b"#28", b"#2-1", b"#3 16", b"16"])
def test_a_block_that_does_not_say_how_long_it_is(head: bytes) -> None:
    with pytest.raises(ValueError, match="does not say how long a block is"):
        block_bounds(head)


def test_where_the_data_lie() -> None:
    assert block_bounds(b"#18") == (3, 11)
    assert block_bounds(b"#3016\x00") == (5, 21)


@pytest.mark.parametrize("size", [1, 4, 7, 9, 12])
def test_a_block_of_something_else_than_numbers(size: int) -> None:
    with pytest.raises(ValueError, match=f"a block of {size} bytes does not hold"):
        numbers(b"x" * size)


def test_a_block_that_goes_on_after_its_end() -> None:
    with pytest.raises(ValueError, match=r"a block of 8 bytes goes on with b',1"):
        ask_block_or_text(Messages(block([1.0]) + b",1\n"), "?")


# -- over a real socket -------------------------------------------------------------------


@pytest.fixture
def asked(open_session, simple):
    """A session to an instrument that answers ``FETC?`` with what is set as ``answer``."""
    instrument = simple("SIM-BLOCK", {})
    found = SimpleNamespace(answer=b"")
    instrument.special = {"FETC?": lambda: found.answer.decode("latin-1")}
    found.peer, found.session = open_session(instrument)
    return found


def test_a_block_is_read_to_its_end_and_no_further(asked) -> None:
    rng = np.random.default_rng(5)
    for count in (0, 1, 7, 3000):
        values = [*rng.uniform(-1e3, 1e3, count), NEW_LINES, NEW_LINES]
        asked.answer = block(values)
        assert asked.session.query_numbers("FETC?").tolist() == values
        assert asked.session.query("*IDN?").split(",")[1] == "SIM-BLOCK"


def test_no_value_and_infinity_are_told_apart_as_in_text(asked) -> None:
    asked.answer = block([9.91e37, 9.9e37, -9.9e37, 1.5, math.nan])
    found = asked.session.query_numbers("FETC?")
    assert np.isnan(found[[0, 4]]).all()
    assert found[1:4].tolist() == [math.inf, -math.inf, 1.5]


@pytest.mark.parametrize(
    ("answer", "expected"),
    [(b"#0abc", "does not say how long"), (b"#14abcd", "64-bit numbers"), (b"#1x", "how long")],
)
def test_a_block_that_is_none_is_told_and_the_next_answer_is_sound(
    asked, answer: bytes, expected: str
) -> None:
    asked.answer = answer
    with pytest.raises(InstrumentError, match=rf"'FETC\?'.*{expected}"):
        asked.session.query_numbers("FETC?")
    assert asked.session.query("*IDN?").split(",")[1] == "SIM-BLOCK"


def test_a_block_that_breaks_off(asked) -> None:
    asked.answer = block([1.0, 2.0])[:-3]
    with pytest.raises(InstrumentError, match=r"'FETC\?' failed: nothing within 0.3 s"):
        asked.session.query_numbers("FETC?")
    assert asked.session.query("*IDN?").split(",")[1] == "SIM-BLOCK"
