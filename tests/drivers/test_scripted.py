"""The board that answers as a profile says: values to the wire and back, whatever the profile."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.core.drive import Fault
from hil.drivers.codec import Codec
from hil.drivers.fields import Columns
from hil.drivers.framing.make import make_framing
from hil.drivers.scripted import ScriptedBoard, to_wire
from hil.ports.link import FieldSpec


def decoded(description, data):
    return Codec(description).telemetry(make_framing(description.framing).feed(data).frames)


@settings(deadline=None)
@given(
    st.sampled_from(["u8", "i8", "u16", "i16", "u32", "i32", "f32", "number"]),
    st.sampled_from([1.0, 0.1, 0.01, -1.0, 2.5]),
    st.sampled_from([0.0, -40.0, 273.15]),
    st.integers(0, 100),
)
def test_to_the_wire_and_back(kind, scale, offset, raw):
    spec = FieldSpec(name="x", type=kind, scale=scale, offset=offset)
    value = raw * scale + offset
    back = Columns((spec,)).convert(np.array([[float(to_wire(spec, value))]]), [])[0, 0]
    assert back == pytest.approx(value, abs=1e-9)


def test_codes_bits_and_marks_go_to_the_wire():
    state = FieldSpec(name="s", type="u8", values={7: 3, 9: 5})
    assert to_wire(state, 5.0) == 9
    fault = FieldSpec(name="f", type="u8", bits={1: int(Fault.STALL), 4: int(Fault.HALL)})
    assert to_wire(fault, float(Fault.STALL | Fault.HALL)) == 0b10010
    assert to_wire(FieldSpec(name="x", type="i16", missing=-1), math.nan) == -1
    assert to_wire(FieldSpec(name="x", type="number", missing_text="--"), math.nan) == "--"
    assert math.isnan(to_wire(FieldSpec(name="x", type="f32"), math.nan))
    counter = FieldSpec(name="c", type="u8", role="sequence", modulus=256)
    assert to_wire(counter, 258.0) == 2


def test_it_streams_numbers_that_count_on(description):
    board = ScriptedBoard(description)
    data = b"".join(board.telemetry(0.001 * n) for n in range(300))
    batch = decoded(description, data)
    assert (batch.lost, batch.repeated, batch.restarts) == (0, 0, 0)
    np.testing.assert_allclose(batch.board_time, 0.001 * np.arange(300), atol=1e-6)
    board.skip(2)
    assert decoded(description, board.telemetry(1.0) + board.telemetry(1.1)).lost == 0
    assert board._sequence["telemetry"] == 304


def test_it_obeys_refuses_and_remembers(description):
    board = ScriptedBoard(description)
    codec, framing = Codec(description), make_framing(description.framing)
    board.refuse["stop"] = 3

    def ask(command, **arguments):
        answer = board.feed(framing.encode(codec.encode(command, **arguments)))
        (message,) = codec.sort(framing.feed(answer).frames).messages
        return message

    assert ask("identify").roles["model"] == "SCRIPTED"
    started = ask("start", speed=-700.0)
    assert (started.name, started.command) == ("done", "start")
    refused = ask("stop")
    assert (refused.name, refused.roles["code"]) == ("refused", 3.0)
    assert not board.streaming
    ask("stream", rate=100.0)
    assert board.streaming
    ask("stream", rate=0.0)
    assert not board.streaming
    assert board.received[1] == ("start", {"speed": -700})


def test_what_it_does_not_understand_it_leaves_unanswered(description):
    board = ScriptedBoard(description)
    framing = make_framing(description.framing)
    assert board.feed(framing.encode(b"\x7e7e")) == b""
    assert board.received == [("", {})]
    assert board.feed(b"noise without an end") == b""


def test_it_echoes_and_prompts_if_the_profile_says_so(lines_description):
    framing = replace(lines_description.framing, echo=True, prompt=b"> ", checksum="")
    board = ScriptedBoard(replace(lines_description, framing=framing))
    assert board.feed(b"start,100\n") == b"> start,100\n> done,start\n"
