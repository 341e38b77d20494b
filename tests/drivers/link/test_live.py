"""Every shipped profile over a real pseudo-terminal: commands, refusals, telemetry, trouble."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest

from hil.core.drive import DriveState, Fault
from hil.core.errors import CommandRefused, LinkError, LinkTimeout


def gather(board, seconds=0.4, pause=0.005):
    found, end = [], time.monotonic() + seconds
    while time.monotonic() < end:
        found.append(board.read())
        time.sleep(pause)
    return found


def gather_until(board, done, limit=4.0):
    """Read until `done` says so of what was read; a busy machine may take its time."""
    found, end = [], time.monotonic() + limit
    while not done(found) and time.monotonic() < end:
        found.append(board.read())
        time.sleep(0.005)
    return found


def rows(readings):
    return sum(len(r) for r in readings)


def lost(readings):
    return sum(r.lost for r in readings)


def joined(readings, channel):
    return np.concatenate([r.values[channel] for r in readings if len(r)])


def commands_of(served):
    return [entry for entry in served.board.received if entry[0] != "identify"]


def test_identity(framed, serve_board, opened):
    served = serve_board(framed)
    identity = opened(framed, served.url).identify()
    assert identity.model == "SCRIPTED"
    assert identity.revision == "5EED0001"
    assert identity.resource == served.url


def test_commands_arrive_with_their_arguments(framed, serve_board, opened):
    served = serve_board(framed)
    board = opened(framed, served.url)
    board.identify()
    board.start(-1500.0)
    board.set_speed(750.0)
    board.stop()
    board.clear()
    end = time.monotonic() + 1.0
    while len(commands_of(served)) < 4 and time.monotonic() < end:
        time.sleep(0.002)
    names = [name for name, _ in commands_of(served)]
    assert names == ["start", "set-speed", "stop", "clear"]
    start, faster = (arguments for _, arguments in commands_of(served)[:2])
    scale = {f.role: f.scale for f in framed.commands["start"].fields}
    if "direction" in start:
        assert (start["direction"], start["magnitude"]) == (1, 1500.0)
        assert (faster["direction"], faster["magnitude"]) == (0, 750.0)
    else:
        assert start["speed"] * scale["speed"] == pytest.approx(-1500.0)
        assert faster["speed"] * scale["speed"] == pytest.approx(750.0)


def test_a_refusal_has_the_text_of_the_profile(acknowledged, serve_board, opened):
    served = serve_board(acknowledged)
    board = opened(acknowledged, served.url)
    served.board.refuse["start"] = 2
    with pytest.raises(CommandRefused, match=r"refused 'start 1000.0': .*latched"):
        board.start(1000.0)
    served.board.refuse.clear()
    board.start(1000.0)


VALUES = {
    "reported.speed": -1234.0,
    "reported.setpoint": -1250.0,
    "reported.current": 1.25,
    "reported.peak": 2.5,
    "reported.voltage": 24.12,
    "reported.temperature": 41.0,
    "reported.state": float(DriveState.FAULT),
    "reported.fault": float(Fault.STALL),
}


def test_telemetry_arrives_in_canonical_units(framed, serve_board, opened):
    served = serve_board(framed)
    served.board.values |= VALUES
    board = opened(framed, served.url)
    board.identify()
    board.stream(True)
    slow = [c for c in VALUES if framed.polls or "telemetry-slow" in framed.messages]
    readings = gather_until(
        board,
        lambda found: (
            rows(found) > 20
            and all(np.isfinite(found[-1].values.get(c, 0.0)).all() for c in slow)
            and len(found[-1])
        ),
    )
    board.stream(False)
    assert not [text for r in readings for text in r.bad]
    assert sum(r.lost for r in readings) == 0
    assert sum(r.repeated + r.restarts for r in readings) == 0
    fed = {
        leaf.channel
        for name, message in framed.messages.items()
        if name.startswith("telemetry")
        for spec in message.fields
        for leaf in (spec, *spec.parts)
        if leaf.channel
    }
    assert fed >= {"reported.state", "reported.fault", "reported.speed"}
    for channel in fed:
        column = joined(readings, channel)
        assert column.size >= 8
        # a slower message's value is there from its first arrival on
        assert column[-1] == pytest.approx(VALUES[channel], abs=0.006), channel
    times = np.concatenate([r.board_time for r in readings if len(r)])
    if np.isfinite(times).all():
        assert (np.diff(times) > 0.0).all()
        assert times[-1] - times[0] == pytest.approx(times.size * np.diff(times).mean(), rel=0.2)


def test_frames_that_are_missing_are_counted(streamed, serve_board, opened):
    served = serve_board(streamed)
    board = opened(streamed, served.url)
    board.stream(True)
    gather_until(board, lambda found: rows(found) > 5)
    served.board.skip(3)
    readings = gather_until(board, lambda found: lost(found) and rows(found) > 5)
    assert lost(readings) == 3
    board.stream(False)


def test_noise_costs_frames_and_is_named(streamed, serve_board, opened):
    served = serve_board(streamed)
    board = opened(streamed, served.url)
    board.identify()
    served.noise = b"\xfe\xfdnoise"
    board.stream(True)
    readings = gather_until(board, lambda found: any(r.bad for r in found))
    board.stream(False)
    assert any(r.bad for r in readings)
    assert all(isinstance(text, str) for r in readings for text in r.bad)
    served.noise = b""
    board.stream(True)
    assert rows(gather_until(board, lambda found: rows(found) > 5)) > 5
    board.stream(False)


def test_silence_is_a_timeout(framed, serve_board, opened):
    served = serve_board(framed)
    served.silent = True
    board = opened(framed, served.url)
    command = "identify" if "done" not in framed.messages else "start"
    with pytest.raises(LinkTimeout, match=f"no answer to '{command}'"):
        board.identify() if command == "identify" else board.start(500.0)


def test_a_drive_with_one_sensing_method_selects_no_other(framed, serve_board, opened):
    served = serve_board(framed)
    board = opened(framed, served.url)
    if framed.sensing:
        board.select_sensing(framed.sensing)
        other = {"hall": "back-emf", "back-emf": "hall"}[framed.sensing]
        with pytest.raises(LinkError, match=f"says it is always '{framed.sensing}'"):
            board.select_sensing(other)
        assert not commands_of(served)
    else:
        board.select_sensing("back-emf")


# ---------------------------------------------------------------------- one profile each


def test_the_console_echoes_and_prompts_and_neither_disturbs(profiles, serve_board, opened):
    console = profiles("examples/lines-console")
    served = serve_board(console)
    heard = []
    board = opened(console, served.url, log=lambda way, _t, data: heard.append((way, data)))
    board.identify()
    board.start(2000.0)
    assert board.read().bad == ()
    received = b"".join(data for way, data in heard if way == "rx")
    assert b"> run 0 2000\r\n> OK\r\n" in received


def test_a_repeatable_command_is_asked_again(profiles, serve_board, opened):
    console = profiles("examples/lines-console")
    served = serve_board(console)
    board = opened(console, served.url)
    served.silent = True
    started = time.monotonic()
    with pytest.raises(LinkTimeout):
        board.stop()
    # profile: 0.3 s and one retry; 'clear' waits 1 s and is not repeated
    assert 0.55 < time.monotonic() - started < 3.0
    time.sleep(0.05)
    assert [name for name, _ in commands_of(served)] == ["stop", "stop"]
    started = time.monotonic()
    with pytest.raises(LinkTimeout, match="within 1 s"):
        board.clear()
    assert 0.95 < time.monotonic() - started < 3.0


def test_polls_are_sent_only_while_telemetry_is_wanted(profiles, serve_board, opened):
    console = profiles("examples/lines-console")
    served = serve_board(console)
    served.board.values |= {"reported.temperature": 33.0, "reported.speed": 100.0}
    heard = []
    board = opened(console, served.url, log=lambda way, _t, data: heard.append((way, data)))
    gather(board, 0.1)
    assert heard == []
    board.stream(True)
    readings = gather(board, 1.1)
    board.stream(False)
    count = sum(len(r) for r in readings)
    sent = [data for way, data in heard if way == "tx"]
    # profile: every 20 ms and every 500 ms
    assert 10 <= sent.count(b"?\r\n") <= 56
    assert 2 <= sent.count(b"temp?\r\n") <= 3
    assert abs(count - sent.count(b"?\r\n")) <= 1
    assert joined(readings, "reported.temperature")[-1] == 33.0
    before = len(heard)
    gather(board, 0.1)
    assert len([1 for way, _ in heard[before:] if way == "tx"]) == 0


def test_a_poll_without_an_answer_is_a_lost_frame_and_the_plan_goes_on(
    profiles, serve_board, opened
):
    console = profiles("examples/lines-console")
    served = serve_board(console)
    board = opened(console, served.url)
    board.stream(True)
    assert rows(gather_until(board, lambda found: rows(found) > 3)) > 3
    served.silent = True
    readings = gather_until(board, lambda found: lost(found) == 2)
    assert lost(readings) == 2
    assert "no answer to the poll for 'telemetry" in "".join(t for r in readings for t in r.bad)
    served.silent = False
    assert rows(gather_until(board, lambda found: rows(found) > 3)) > 3
    board.stream(False)


def test_an_answer_nobody_asked_for_is_no_telemetry(profiles, serve_board, opened):
    console = profiles("examples/lines-console")
    served = serve_board(console)
    board = opened(console, served.url)
    board.stream(True)
    served.send(b"1 0 0 999 24.0\r\n")
    readings = gather(board, 0.2)
    board.stream(False)
    speeds = joined(readings, "reported.speed")
    assert 999.0 not in speeds[1:]
    assert any("came unasked, or late" in text for r in readings for text in r.bad)


def test_no_value_is_nan_by_mark(profiles, serve_board, opened):
    for name, channel in (
        ("examples/slip", "reported.current"),
        ("examples/slip", "reported.temperature"),
    ):
        description = profiles(name)
        served = serve_board(description)
        served.board.values |= {channel: math.nan, "reported.speed": 5.0}
        board = opened(description, served.url)
        board.stream(True)
        readings = gather_until(board, lambda found: rows(found) > 5)
        board.stream(False)
        assert np.isnan(joined(readings, channel)).all()
        assert (joined(readings, "reported.speed") == 5.0).all()
        board.close()
        served.stop()


def test_values_of_a_slower_message_are_held_and_then_given_up(profiles, serve_board, opened):
    description = profiles("examples/delimited")  # held for 0.5 s
    served = serve_board(description)
    served.board.values["reported.voltage"] = 24.0
    board = opened(description, served.url)
    board.stream(True)

    def latest(found):
        return joined(found, "reported.voltage")[-1:] if rows(found) else []

    assert latest(gather_until(board, lambda found: 24.0 in latest(found))) == [24.0]
    served._further = []
    readings = gather_until(board, lambda found: np.isnan(latest(found)).any())
    board.stream(False)
    voltage = joined(readings, "reported.voltage")
    assert voltage[0] == 24.0
    assert np.isnan(voltage[-1])
    assert sum(len(r) for r in readings) > 50


def test_telemetry_that_streams_by_itself_counts_only_while_it_is_wanted(
    profiles, serve_board, opened
):
    description = profiles("examples/length")
    served = serve_board(description)
    board = opened(description, served.url)
    assert board.identify().serial == "7"
    assert sum(len(r) for r in gather(board, 0.1)) == 0
    board.stream(True)
    readings = gather_until(board, lambda found: rows(found) > 5)
    assert rows(readings) > 5
    assert lost(readings) == 0
    board.stream(False)
    assert sum(len(r) for r in gather(board, 0.1)) == 0


def test_a_command_after_switching_off_does_not_wait_for_a_poll(profiles, serve_board, opened):
    from dataclasses import replace

    console = replace(profiles("examples/lines-console"), reply_timeout=30.0)
    served = serve_board(console)
    board = opened(console, served.url)
    board.stream(True)
    gather_until(board, lambda found: rows(found) > 3)
    for _ in range(10):  # until a poll is on the line
        board.read()
        time.sleep(0.003)
    board.stream(False)
    started = time.monotonic()
    board.start(100.0)
    assert time.monotonic() - started < 5.0


def test_a_nudge_gets_its_turn_between_polls_that_are_always_due(profiles, serve_board, opened):
    profile = profiles("examples/lines-console")
    polls = tuple(replace(poll, period=0.001) for poll in profile.polls)
    profile = replace(profile, polls=polls)
    served = serve_board(profile)
    board = opened(profile, served.url)
    board.identify()
    board.stream(True)
    sent, found, end = 0, 0, time.monotonic() + 10.0
    while sent < 5 or found < 5:
        assert time.monotonic() < end, (sent, found)
        found += len(board.read())
        sent += board.nudge()
        time.sleep(0.02)  # so long that the next poll is due and every answer is there
    board.stream(False)
