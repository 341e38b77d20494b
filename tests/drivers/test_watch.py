"""What a profile makes of bytes: counts, latest values, what is left over and why."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from hil.core.errors import LinkError
from hil.drivers.framing.make import make_framing
from hil.drivers.make_watch import make_watch
from hil.drivers.scripted import ScriptedBoard
from hil.drivers.watch import MOST_LEFT, Seen


def command(description, name):
    from hil.drivers.codec import Codec

    arguments = {"start": {"speed": 500.0}, "stream": {"rate": 100.0}}.get(name, {})
    return make_framing(description.framing).encode(Codec(description).encode(name, **arguments))


def test_messages_commands_and_latest_values(description):
    watch, board = make_watch(description), ScriptedBoard(description)
    board.values["reported.speed"] = 321.0
    for t, name in enumerate(("identify", "start", "stream", "stop")):
        data = command(description, name)
        watch.piece(float(t), True, data)
        watch.piece(float(t) + 0.1, False, board.feed(data))
    for number in range(11):
        watch.piece(10.0 + 0.01 * number, False, board.telemetry(0.01 * number))
    assert watch.commands == {"identify": 1, "start": 1, "stream": 1, "stop": 1}
    assert set(watch.seen) == {"identity", "done start", "done stream", "done stop", "telemetry"}
    telemetry = watch.seen["telemetry"]
    assert telemetry.count == 11
    assert telemetry.rate == pytest.approx(100.0)
    assert telemetry.values["reported.speed"] == 321.0
    assert telemetry.values["board time"] == pytest.approx(0.1, abs=1e-5)
    assert watch.seen["identity"].values["model"] == "SCRIPTED"
    assert (watch.undecoded, watch.lost, watch.repeated, watch.restarts) == (0, 0, 0, 0)


def test_gaps_and_repetitions_and_restarts(description):
    watch, board = make_watch(description), ScriptedBoard(description)
    first = board.telemetry(1.0)
    board.skip(4)
    for data in (first, first, board.telemetry(2.0)):
        watch.piece(0.0, False, data)
    assert (watch.lost, watch.repeated) == (4, 1)
    watch.piece(3.0, False, board.telemetry(0.5))
    assert watch.restarts == 1


def test_what_does_not_decode_is_kept_with_bytes_and_reason(description):
    watch, board = make_watch(description), ScriptedBoard(description)
    good = board.telemetry(0.0)
    broken = bytes([good[0] ^ 4]) + good[1:]
    watch.piece(1.5, False, broken + good)
    assert watch.seen["telemetry"].count == 1
    (left,) = watch.left
    assert left.t == 1.5
    assert left.data == broken[:-1]
    assert "expected" in left.reason or "COBS" in left.reason
    assert watch.undecoded == len(broken) - 1


def test_reasons_are_counted_by_kind(lines_description):
    watch = make_watch(lines_description)
    sender = make_framing(lines_description.framing)
    for number in range(5):
        line = sender.encode(b"t,%d" % number)
        watch.piece(0.0, False, line.replace(b"t,", b"x,"))  # the checksum no longer fits
        watch.piece(0.0, False, sender.encode(b"what,%d" % number))
        watch.piece(0.0, False, line)
    assert sorted(watch.reasons.values()) == [5, 5, 5]
    assert any(reason.startswith("checksum") for reason in watch.reasons)
    assert any(reason.startswith("unknown message") for reason in watch.reasons)
    assert any("fields, expected" in reason for reason in watch.reasons)


def test_memory_is_bounded(description):
    watch = make_watch(description)
    delimiter = b"\x00" if description.framing.kind == "cobs" else b"\n"
    for _ in range(MOST_LEFT + 50):
        watch.piece(0.0, False, b"\xff\xfe\xfd" + delimiter)
    assert len(watch.left) == MOST_LEFT
    assert sum(watch.reasons.values()) == MOST_LEFT + 50


def test_an_unknown_command_is_counted_as_such(lines_description):
    watch = make_watch(lines_description)
    watch.piece(0.0, True, make_framing(lines_description.framing).encode(b"dance"))
    assert watch.commands == {"unknown": 1}


def test_a_command_that_serves_two_is_counted_under_both(lines_description):
    commands = dict(lines_description.commands)
    commands["set-speed"] = replace(commands["set-speed"], key=commands["start"].key)
    one = replace(lines_description, commands=commands)
    watch, board = make_watch(one), make_framing(one.framing)
    watch.piece(0.0, True, board.encode(b"start,1000") + board.encode(b"stop"))
    assert watch.commands == {"start or set-speed": 1, "stop": 1}


def test_a_profile_that_contradicts_itself(description):
    bad = replace(description, framing=replace(description.framing, checksum="CRC-16/NOBODY"))
    with pytest.raises(LinkError, match="link profile dosing-"):
        make_watch(bad)


def test_a_rate_needs_two_messages():
    seen = Seen()
    assert math.isnan(seen.rate)
    seen.note(1.0, 1, {})
    assert math.isnan(seen.rate)
    seen.note(1.5, 1, {"a": 1.0})
    assert seen.rate == 2.0
