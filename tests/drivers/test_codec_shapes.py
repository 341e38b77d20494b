"""Protocols of other shapes than the demo drive's: keys, acknowledgements, arguments, words."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest

from hil.drivers.codec import Codec
from hil.ports.link import FieldSpec, MessageSpec


def changed(description, **parts):
    """The description with messages or commands replaced; None takes one out."""
    merged = {}
    for side in ("messages", "commands"):
        found = dict(getattr(description, side)) | parts.get(side, {})
        merged[side] = {name: spec for name, spec in found.items() if spec is not None}
    return replace(description, **merged)


def test_direction_and_magnitude_instead_of_a_signed_speed(lines_description):
    start = MessageSpec(
        name="start",
        key="run",
        fields=(
            FieldSpec(name="d", type="number", role="direction", choices={"cw": 0, "ccw": 1}),
            FieldSpec(name="m", type="number", role="magnitude", scale=0.1),
        ),
    )
    codec = Codec(changed(lines_description, commands={"start": start}))
    assert codec.encode("start", speed=-1500.5) == b"run,1,15005"
    assert codec.encode("start", speed=0.0) == b"run,0,0"


def test_constants_are_always_sent(cobs_description):
    fields = (
        FieldSpec(name="group", type="u8", constant=7),
        FieldSpec(name="gain", type="f32", constant=1.5),
        FieldSpec(name="tag", type="i16", constant=-2.0),
    )
    stop = MessageSpec(name="stop", key=9, fields=fields)
    codec = Codec(changed(cobs_description, commands={"stop": stop}))
    assert codec.encode("stop") == b"\x09" + struct.pack("<Bfh", 7, 1.5, -2)


def test_each_command_may_have_an_acknowledgement_of_its_own(cobs_description):
    commands = {
        name: replace(cobs_description.commands[name], reply=key)
        for name, key in (("start", 0xA2), ("stop", 0xA4))
    }
    done = MessageSpec(
        name="done", key=0x82, fields=(FieldSpec(name="code", type="u8", role="code"),)
    )
    codec = Codec(changed(cobs_description, commands=commands, messages={"done": done}))
    found = codec.sort([b"\xa2\x00", b"\xa4\x03", b"\x82\x00"]).messages
    assert [(m.name, m.command, m.roles["code"]) for m in found] == [
        ("done", "start", 0.0),
        ("done", "stop", 3.0),
        ("done", "", 0.0),
    ]
    shared = {
        name: replace(cobs_description.commands[name], reply=0xA2) for name in ("start", "stop")
    }
    codec = Codec(changed(cobs_description, commands=shared, messages={"done": done}))
    assert codec.sort([b"\xa2\x00"]).messages[0].command == ""
    clash = changed(
        cobs_description,
        commands={"start": replace(cobs_description.commands["start"], reply=0x81)},
    )
    with pytest.raises(ValueError, match="stands for done and another message"):
        Codec(clash)


def test_telemetry_lines_without_a_key_are_what_is_no_other_message(lines_description):
    telemetry = MessageSpec(
        name="telemetry",
        key="",
        fields=(
            FieldSpec(name="speed", type="number", channel="reported.speed"),
            FieldSpec(name="peak", type="number", channel="reported.peak"),
        ),
    )
    codec = Codec(changed(lines_description, messages={"telemetry": telemetry}))
    found = codec.sort([b"1,2", b"done,start", b"3,4", b"what"])
    assert [message.name for message in found.messages] == ["done"]
    batch = codec.telemetry(found.telemetry)
    assert batch.values["reported.speed"].tolist() == [1.0, 3.0]
    assert batch.values["reported.peak"].tolist() == [2.0, 4.0]
    assert batch.bad == ["telemetry: 1 fields, expected 2: 'what'"]
    assert codec.telemetry([b"5,6", b"7,8"]).values["reported.peak"].tolist() == [6.0, 8.0]


@pytest.mark.parametrize("key_size", [1, 2])
def test_further_telemetry_messages_are_kept_apart(cobs_description, key_size):
    slow = MessageSpec(
        name="telemetry-slow",
        key=0x91,
        fields=(FieldSpec(name="t", type="i16", channel="reported.temperature", scale=0.1),),
    )
    description = changed(cobs_description, messages={"telemetry-slow": slow})
    framing = replace(description.framing, key_size=key_size, byte_order="big")
    codec = Codec(replace(description, framing=framing))
    head = (0x91).to_bytes(key_size, "big")
    found = codec.sort([head + b"\x00\xfa", head + b"\x00\xfb", head + b"\x00"])
    assert list(found.others) == ["telemetry-slow"]
    batch = codec.telemetry(found.others["telemetry-slow"], 1.0, "telemetry-slow")
    np.testing.assert_allclose(batch.values["reported.temperature"], [25.0, 25.1])
    assert batch.good.tolist() == [True, True, False]
    assert codec.encode("stop") == (4).to_bytes(key_size, "big")


def test_words_for_people(cobs_description):
    identity = MessageSpec(
        name="identity",
        key=0x81,
        fields=(
            FieldSpec(name="cause", type="u8", words={1: "power-on", 2: "watchdog"}),
            FieldSpec(
                name="flags",
                type="u8",
                parts=(
                    FieldSpec(name="low", type="u8", low=0, width=4, words={3: "three"}),
                    FieldSpec(name="high", type="u8", low=4, width=4),
                ),
            ),
        ),
    )
    codec = Codec(changed(cobs_description, messages={"identity": identity}))
    first, second = codec.sort([b"\x81\x02\x53", b"\x81\x09\x00"]).messages
    assert first.fields == {"cause": "watchdog", "flags": 83.0, "low": "three", "high": 5.0}
    assert second.fields["cause"] == "unknown code 9"


def test_hex_and_marks_for_no_value_in_bulk(lines_description):
    telemetry = MessageSpec(
        name="telemetry",
        key="t",
        fields=(
            FieldSpec(name="status", type="hex", channel="reported.fault", bits={4: 2}),
            FieldSpec(
                name="v", type="number", channel="reported.voltage", missing_text="--", scale=0.1
            ),
        ),
    )
    codec = Codec(changed(lines_description, messages={"telemetry": telemetry}))
    batch = codec.telemetry([b"t,10,240", b"t,0,--", b"t,0,nan"])
    assert batch.values["reported.fault"].tolist() == [2.0, 0.0]
    assert batch.values["reported.voltage"][0] == pytest.approx(24.0)
    assert np.isnan(batch.values["reported.voltage"][1])
    assert batch.good.tolist() == [True, True, False]


def test_repeats_and_restarts_are_in_the_batch(cobs_description):
    def frame(seq, micros):
        return b"\x90" + struct.pack("<BIBHhhhHHh", seq, micros, 3, 0, 0, 0, 0, 0, 0, 0)

    codec = Codec(cobs_description)
    batch = codec.telemetry([frame(5, 100), frame(5, 100), frame(8, 300), frame(0, 10)])
    assert (batch.lost, batch.repeated, batch.restarts) == (2, 1, 1)
    codec.restart()
    assert codec.telemetry([frame(99, 20)]).lost == 0
