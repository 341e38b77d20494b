"""Encoding and decoding by a link profile: every field type, both framings, bulk and single."""

from __future__ import annotations

import math
import struct
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.drivers.codec import Codec, Message
from hil.drivers.fields import FLOATS, LETTERS, RANGES
from hil.ports.link import FieldSpec, FramingSpec, LinkDescription, MessageSpec

NUMERIC = sorted(LETTERS)


def protocol(kind: str, fields: tuple[FieldSpec, ...], order: str = "little") -> LinkDescription:
    """A description whose telemetry has `fields`; the rest is as small as may be."""
    binary = kind == "cobs"
    text = FieldSpec(name="model", type="text", role="model", size=8 if binary else 0)
    command = FieldSpec(name="command", type="u8" if binary else "text", role="command")
    specs = {"identity": (text,), "done": (command,), "refused": (command,), "telemetry": fields}
    return LinkDescription(
        name="any",
        baud=9600,
        framing=FramingSpec(kind=kind, byte_order=order),
        messages={
            name: MessageSpec(name=name, key=0x80 + number if binary else name, fields=parts)
            for number, (name, parts) in enumerate(specs.items())
        },
        commands={
            name: MessageSpec(name=name, key=number if binary else name, fields=parts)
            for number, (name, parts) in enumerate(
                {
                    "stop": (),
                    "start": (FieldSpec(name="speed", type="i16", role="speed"),),
                    "stream": (FieldSpec(name="rate", type="f32", role="rate"),),
                }.items(),
                start=1,
            )
        },
    )


def raw_numbers(kind: str) -> st.SearchStrategy[float]:
    if kind in FLOATS:
        return st.floats(width=int(kind[1:]), allow_nan=False, allow_infinity=False)
    low, high = RANGES[kind]
    # numbers are held as floats, exact up to 2**53
    return st.integers(max(low, -(2**53)), min(high, 2**53)).map(float)


@st.composite
def tables(draw: st.DrawFn):
    kinds = draw(st.lists(st.sampled_from(NUMERIC), min_size=1, max_size=8))
    return kinds, draw(st.lists(st.tuples(*map(raw_numbers, kinds)), min_size=1, max_size=12))


@settings(deadline=None)
@given(tables(), st.sampled_from(["little", "big"]))
def test_all_binary_types_come_back_from_bulk_decoding(table, order):
    kinds, rows = table
    fields = tuple(
        FieldSpec(name=f"f{i}", type=kind, channel=f"reported.f{i}") for i, kind in enumerate(kinds)
    )
    layout = struct.Struct((">" if order == "big" else "<") + "".join(LETTERS[k] for k in kinds))
    whole = [
        [v if k in FLOATS else int(v) for k, v in zip(kinds, row, strict=True)] for row in rows
    ]
    batch = Codec(protocol("cobs", fields, order)).telemetry(
        [b"\x83" + layout.pack(*row) for row in whole]
    )
    for index in range(len(kinds)):
        expected = [row[index] for row in rows]
        np.testing.assert_array_equal(batch.values[f"reported.f{index}"], expected)
    assert batch.bad == []
    assert batch.good.all()


@settings(deadline=None)
@given(tables())
def test_all_types_come_back_from_lines(table):
    kinds, rows = table
    fields = tuple(
        FieldSpec(name=f"f{i}", type=kind, channel=f"reported.f{i}") for i, kind in enumerate(kinds)
    )
    frames = [
        ",".join(
            (
                "telemetry",
                *(
                    f"{v:.17g}" if k in FLOATS else str(int(v))
                    for k, v in zip(kinds, row, strict=True)
                ),
            )
        ).encode()
        for row in rows
    ]
    batch = Codec(protocol("lines", fields)).telemetry(frames)
    for index, kind in enumerate(kinds):
        found = batch.values[f"reported.f{index}"]
        if kind == "f32":
            found = found.astype(np.float32)
        np.testing.assert_array_equal(found, [row[index] for row in rows])
    assert batch.bad == []


@settings(deadline=None)
@given(st.lists(st.binary(max_size=30), max_size=12), st.sampled_from(["lines", "cobs"]))
def test_any_payload_is_decoded_or_named_bad(payloads, kind):
    fields = (
        FieldSpec(name="state", type="u8", channel="reported.state", values={1: 1}),
        FieldSpec(name="speed", type="i16", channel="reported.speed"),
    )
    codec = Codec(protocol(kind, fields))
    found = codec.sort(payloads)
    assert len(found.telemetry) + len(found.messages) + len(found.bad) == len(payloads)
    prefix = b"\x83" if kind == "cobs" else b"telemetry,"
    batch = codec.telemetry([prefix + payload for payload in payloads])
    assert batch.values["reported.speed"].shape == (int(batch.good.sum()),)
    assert batch.board_time.shape == (int(batch.good.sum()),)
    assert len(batch.bad) >= int((~batch.good).sum())


def test_bad_telemetry_among_good_costs_only_itself(description):
    codec = Codec(description)
    binary = description.framing.kind == "cobs"
    if binary:
        good = [b"\x90" + struct.pack("<BIBHhhhHHh", n, n, 3, 0, n, 0, 0, 0, 0, 0) for n in (1, 2)]
        bad = [good[0][:-1], good[0] + b"\x00"]
    else:
        good = [f"t,{n},{n},3,0,{n},0,0,0,0,0".encode() for n in (1, 2)]
        bad = [b"t,1,2", b"t,1,2,3,0,x,0,0,0,0,0", b"t,1,2,3,0,nan,0,0,0,0,0"]
        bad += [b"t,1,2,3,0,1_0,0,0,0,0,0", b"t,1,2,3,0,,0,0,0,0,0", b"t,1,2,3,0,1,0,0,0,0,0,0"]
    batch = codec.telemetry([good[0], *bad, good[1]])
    assert batch.values["reported.speed"].tolist() == [1.0, 2.0]
    assert batch.good.tolist() == [True, *[False] * len(bad), True]
    assert len(batch.bad) == len(bad)
    assert all("telemetry: " in text for text in batch.bad)
    if not binary:
        assert "telemetry: speed: 'x' is not a number" in batch.bad[1]


def test_text_in_telemetry_is_skipped():
    for kind, frame in (
        ("cobs", b"\x83" + struct.pack("<h4sh", 5, b"run", 7)),
        ("lines", b"telemetry,5,run,7"),
    ):
        fields = (
            FieldSpec(name="speed", type="i16", channel="reported.speed"),
            FieldSpec(name="word", type="text", size=4),
            FieldSpec(name="peak", type="i16", channel="reported.peak"),
        )
        batch = Codec(protocol(kind, fields)).telemetry([frame, frame])
        assert batch.values["reported.speed"].tolist() == [5.0, 5.0]
        assert batch.values["reported.peak"].tolist() == [7.0, 7.0]


numerals = st.one_of(
    st.integers(-(10**20), 10**20).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.sampled_from(["-0", "+5", "007", ".5", "1e3", "5.", "9" * 120, "0x10", "1_0", "", "nan"]),
)


@settings(deadline=None)
@given(rows=st.lists(st.tuples(numerals, numerals), min_size=1, max_size=6))
def test_words_of_a_line_are_read_as_numbers_are_written(rows):
    """Whole ones, which go a way of their own, and others; a bad one costs its own line only."""
    fields = tuple(FieldSpec(name=n, type="number", channel=f"reported.{n}") for n in "ab")
    batch = Codec(protocol("lines", fields)).telemetry(
        [f"telemetry,{a},{b}".encode() for a, b in rows]
    )

    def number(word: str) -> float:
        try:
            return math.nan if "_" in word else float(word)
        except ValueError:
            return math.nan

    sound = [row for row in rows if all(math.isfinite(number(word)) for word in row)]
    for index, name in enumerate("ab"):
        expected = [number(row[index]) for row in sound]
        np.testing.assert_array_equal(batch.values[f"reported.{name}"], expected)
    assert len(batch.bad) == len(rows) - len(sound)
    assert int(batch.good.sum()) == len(sound)


def test_a_float_that_is_no_number_is_a_missing_value_in_a_binary_frame():
    fields = (FieldSpec(name="speed", type="f32", channel="reported.speed"),)
    frames = [b"\x83" + struct.pack("<f", value) for value in (1.0, math.nan, math.inf)]
    speed = Codec(protocol("cobs", fields)).telemetry(frames).values["reported.speed"]
    assert speed[0] == 1.0
    assert np.isnan(speed[1:]).all()


def test_lines_with_a_type_are_held_to_its_range():
    fields = (FieldSpec(name="seq", type="u8", channel="reported.x"),)
    batch = Codec(protocol("lines", fields)).telemetry([b"telemetry,255", b"telemetry,256"])
    assert batch.values["reported.x"].tolist() == [255.0]
    assert "'256' is not a number of type u8" in batch.bad[0]


def test_messages_are_decoded_by_name_and_role(description):
    codec = Codec(description)
    if description.framing.kind == "cobs":
        identity = b"\x81" + b"DOSING-DRIVE\0\0\0\0" + b"1.0.0\0\0\0" + b"5EED0001"
        frames = [identity, b"\x82\x02", b"\x83\x06\x01"]
    else:
        frames = [b"id,DOSING-DRIVE,1.0.0,5EED0001", b"done,start", b"refused,sense,1"]
    found = codec.sort(frames)
    assert found.telemetry == []
    assert found.bad == []
    first, done, refused = found.messages
    assert first.name == "identity"
    assert first.fields == {"model": "DOSING-DRIVE", "version": "1.0.0", "build": "5EED0001"}
    assert first.roles == {"model": "DOSING-DRIVE", "revision": "5EED0001"}
    assert (done.name, done.command) == ("done", "start")
    assert (refused.name, refused.command) == ("refused", "select-sensing")
    assert refused.roles["code"] == 1.0


def test_an_answer_to_a_command_the_profile_does_not_know(lines_description, cobs_description):
    assert Codec(lines_description).sort([b"done,dance"]).messages[0].command == ""
    assert Codec(cobs_description).sort([b"\x82\x63"]).messages[0].command == ""


@pytest.mark.parametrize(
    ("kind", "frame", "reason"),
    [
        ("lines", b"hello", "unknown message 'hello'"),
        ("lines", b"done", "done: 0 fields, expected 1"),
        ("lines", b"refused,start,x", "refused: code: 'x' is not a number"),
        ("cobs", b"\x42\x00", "unknown message 'B'"),
        ("cobs", b"\x82", "done: 1 bytes, expected 2"),
    ],
)
def test_messages_that_do_not_decode(kind, frame, reason, lines_description, cobs_description):
    found = Codec(lines_description if kind == "lines" else cobs_description).sort([frame])
    assert found.messages == []
    assert found.bad[0].reason == reason


@pytest.mark.parametrize(
    ("command", "arguments", "line", "block"),
    [
        ("identify", {}, b"id", b"\x01"),
        ("start", {"speed": -3000.0}, b"start,-3000", b"\x02\x48\xf4"),
        ("set-speed", {"speed": 500.0}, b"speed,500", b"\x03\xf4\x01"),
        ("select-sensing", {"sensing": "back-emf"}, b"sense,1", b"\x06\x01"),
        ("stream", {"rate": 0.0}, b"stream,0", b"\x07\x00\x00"),
    ],
)
def test_commands(command, arguments, line, block, lines_description, cobs_description):
    assert Codec(lines_description).encode(command, **arguments) == line
    assert Codec(cobs_description).encode(command, **arguments) == block


def test_commands_that_cannot_be_said(cobs_description):
    codec = Codec(cobs_description)
    with pytest.raises(ValueError, match=r"speed: 40000\.0 does not fit i16"):
        codec.encode("start", speed=40000.0)
    with pytest.raises(ValueError, match="start: nothing to put into field 'speed'"):
        codec.encode("start", rate=1.0)
    with pytest.raises(ValueError, match="does not fit"):
        Codec(protocol("cobs", ())).encode("stream", rate=1e300)


@settings(deadline=None)
@given(st.integers(-32768, 32767))
def test_speeds_arrive_as_they_were_commanded(speed):
    for kind in ("lines", "cobs"):
        payload = Codec(protocol(kind, ())).encode("start", speed=float(speed))
        if kind == "cobs":
            assert struct.unpack("<Bh", payload) == (2, speed)
        else:
            assert payload == f"start,{speed}".encode()


def test_descriptions_that_contradict_themselves(lines_description, cobs_description):
    def with_key(description, key):
        messages = dict(description.messages)
        messages["telemetry"] = replace(messages["telemetry"], key=key)
        return replace(description, messages=messages)

    for key in ("t", 256, -1):
        with pytest.raises(ValueError, match="expected 0 to 255"):
            Codec(with_key(cobs_description, key))
    for key in (7, "\xb5"):
        with pytest.raises(ValueError, match="expected a word"):
            Codec(with_key(lines_description, key))
    with pytest.raises(ValueError, match="stands for telemetry and another message"):
        Codec(with_key(lines_description, "done"))
    with pytest.raises(ValueError, match="no binary form"):
        Codec(protocol("cobs", (FieldSpec(name="speed", type="number"),)))


def test_no_telemetry_has_every_channel_empty(description):
    batch = Codec(description).telemetry([])
    assert set(batch.values) >= {"reported.speed", "reported.state", "reported.fault"}
    assert all(column.shape == (0,) for column in batch.values.values())


def test_message_defaults():
    assert Message("done").command == ""


def test_what_no_message_fits_is_told_apart_and_can_be_read():
    two = tuple(FieldSpec(name=n, type="number", channel=f"reported.{n}") for n in "ab")
    keyed = protocol("lines", two)
    sorted_ = Codec(keyed).sort([b"telemetry,1,2", b"im,PUMP,r1"])
    assert (sorted_.unmatched, len(sorted_.bad)) == ([b"im,PUMP,r1"], 1)
    bare = replace(keyed.messages["telemetry"], key="")
    codec = Codec(replace(keyed, messages={**keyed.messages, "telemetry": bare}))
    sorted_ = codec.sort([b"1,2", b"im,PUMP,r1", b"identity,PUMP"])
    assert sorted_.unmatched == [b"im,PUMP,r1"]
    assert sorted_.telemetry == [b"1,2", b"im,PUMP,r1"]  # what is wrong with it decoding tells
    assert codec.shown(b"im,PUMP,r1") == "'im,PUMP,r1'"
    assert codec.shown(b"x" * 30) == repr("x" * 24 + " ...")
    assert Codec(protocol("cobs", ())).shown(b"\x81P\x00") == "bytes 81 50 00"
