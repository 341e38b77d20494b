"""A link profile that does not fit: told with what shows it, and a drive at fault is not taken for
one.
"""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.bench.link_doubts import DUE, LEADS, LINK, LinkFacts, link_doubts, misfit, times
from hil.bench.recorder import Recorder, Sources
from hil.core.trace import Channel, Trace
from hil.drivers.codec import Codec
from hil.plan.load import load_profile
from hil.ports.board import BoardReadings

EXAMPLES = Path(__file__).parents[2] / "testplans" / "profiles" / "examples"
FILE = Path("pump") / "pump.profile.yaml"


def trace(**channels) -> Trace:
    """Channels by name with ``__`` for the dot, each (t, y)."""
    made = {
        name.replace("__", "."): Channel(
            name=name.replace("__", "."), unit="1", t=np.asarray(t), y=np.asarray(y)
        )
        for name, (t, y) in channels.items()
    }
    return Trace(channels=made, marks=(), end=2.0)


def told(rig, found: Trace | None = None, pole_pairs: int = 1, **facts) -> list[str]:
    link = LinkFacts(**facts)
    motor = rig.motor.model_copy(update={"pole_pairs": pole_pairs})
    doubts = list(link_doubts(found or trace(), link, rig.profile, FILE, motor))
    assert {doubt.what for doubt in doubts} <= {LINK}
    return [doubt.text for doubt in doubts]


def test_a_code_that_the_profile_does_not_know_is_told_as_the_driver_knows_it(rig) -> None:
    said = "state: unknown code 1, the profile knows 0, 2, 3, 7"
    assert told(rig, frames=200, reasons={said: 40}) == [
        f"firmware and profile disagree: {said} (pump.profile.yaml)"
    ]
    # once may be a bit that was turned over on the line
    assert told(rig, frames=200, reasons={said: 1}) == []


def test_frames_of_another_length_count_when_they_outnumber_those_that_fit(rig) -> None:
    said = "telemetry: 7 fields, expected 6"
    assert told(rig, frames=0, reasons={said: 52}) == [
        f"firmware and profile disagree: {said} (pump.profile.yaml)"
    ]
    assert told(rig, frames=200, reasons={said: 52}) == []


@pytest.mark.parametrize(
    ("framing", "payload", "reason"),
    [
        ("lines", b"t,1,2", "telemetry: 2 fields, expected 10"),
        ("lines", b"t,1,,2,'", "telemetry: 4 fields, expected 10"),
        ("lines", b"im,PUMP,r1", "unknown message 'im'"),
        ("cobs", b"\x90\x01\x02", "telemetry: 3 bytes, expected 21"),
        ("cobs", b"\x88\x01\x02", "unknown message 88"),
        ("cobs", b"w\x01: b'", "unknown message 'w'"),
    ],
)
def test_what_a_driver_says_is_known_without_the_bytes_that_follow(
    framing, payload, reason
) -> None:
    name = f"dosing-{framing}.profile.yaml"
    codec = Codec(load_profile(Path(__file__).parents[2] / "testplans" / "profiles" / name))
    sorted_ = codec.sort([payload])
    said = [*map(str, sorted_.bad), *codec.telemetry(sorted_.telemetry).bad]
    assert list(map(misfit, said)) == [reason]
    assert said[0] != reason


def test_what_noise_does_is_no_misfit() -> None:
    for text in (
        "checksum 1A2B, expected 3C4D: 't,1,2'",
        "no end of frame within 128 bytes (140 arrived): 74 2c 31",
        "telemetry: came unasked, or late: 't,1,2'",
        "no answer to the poll for 'telemetry'",
    ):
        assert misfit(text) == ""


@pytest.mark.parametrize(
    ("clock", "said"), [(1000.0, "1000 times"), (0.001, "0.00100 times"), (2.1, "2.10 times")]
)
def test_a_clock_in_another_unit_is_told_with_its_field(rig, clock: float, said: str) -> None:
    assert told(rig, clock=clock) == [
        f"board time runs {said} as fast as the host's: unit of field 'time' in "
        "pump.profile.yaml, or firmware?"
    ]


@given(clock=st.none() | st.floats(0.5, 2.0))
def test_a_clock_that_is_merely_poor_is_not(rig, clock) -> None:
    assert told(rig, clock=clock) == []


def test_a_clock_in_another_unit_says_nothing_of_the_other_channels(rig) -> None:
    t = np.linspace(0.0, 2.0, 50)
    found = trace(reported__speed=(t, 0 * t - 900.0), witness__speed=(t, 0 * t + 900.0))
    assert len(told(rig, found)) == 1
    assert [text.split(" ")[0] for text in told(rig, found, clock=1000.0)] == ["board"]


@given(
    factor=st.sampled_from([10.0, 100.0, 1000.0, 0.1, 0.01, 0.001, -1.0, -10.0]),
    off=st.floats(-0.05, 0.05),
    level=st.floats(5.0, 60.0),
)
def test_a_constant_factor_is_named(rig, factor: float, off: float, level: float) -> None:
    t, u = np.linspace(0.0, 2.0, 200), np.linspace(0.0, 2.0, 40)
    ratio = factor * (1.0 + off)
    found = trace(
        reported__voltage=(t, np.full_like(t, ratio * level)),
        supply__voltage=(u, np.full_like(u, level)),
    )
    (text,) = told(rig, found)
    what = "sign" if factor == -1.0 else "scale"
    assert text == (
        f"reported.voltage is {times(ratio)} what the supply measures: {what} in "
        "pump.profile.yaml, or firmware?"
    )


@given(
    share=st.floats(0.0, 0.04).filter(lambda s: all(abs(s / f - 1.0) > 0.2 for f in (0.01, 0.001))),
    level=st.floats(5.0, 60.0),
)
def test_a_board_that_the_supply_does_not_reach_is_told_and_blamed_on_no_profile(
    rig, share: float, level: float
) -> None:
    t, u = np.linspace(0.0, 2.0, 200), np.linspace(0.0, 2.0, 40)
    found = trace(
        reported__voltage=(t, np.full_like(t, share * level)),
        supply__voltage=(u, np.full_like(u, level)),
    )
    (doubt,) = link_doubts(found, LinkFacts(), rig.profile, FILE)
    assert doubt.what == LEADS
    assert doubt.text == (
        f"the board reports {100.0 * share:.1f} % of the voltage that the supply measures at its "
        "output: a lead, a fuse, another board's supply, or firmware?"
    )
    # a shaft that stands beside a tachometer that turns is no matter of leads
    still = trace(
        reported__speed=(t, np.zeros_like(t)), witness__speed=(t, np.full_like(t, 2000.0))
    )
    assert told(rig, still) == []


@given(factor=st.floats(0.2, 8.0))
def test_a_drive_that_reports_poorly_is_not_excused(rig, factor: float) -> None:
    """Half, twice, a few per cent: that is telemetry that lies, whatever its unit."""
    t = np.linspace(0.0, 2.0, 200)
    found = trace(
        reported__speed=(t, np.full_like(t, factor * 2000.0)),
        witness__speed=(t, np.full_like(t, 2000.0)),
    )
    assert told(rig, found) == []


@pytest.mark.parametrize("name", ["delimited", "modbus"])
def test_a_slower_message_that_never_comes_is_missed(name: str) -> None:
    profile = load_profile(EXAMPLES / f"{name}.profile.yaml")
    due = DUE * max([profile.hold, *(poll.period for poll in profile.polls)])

    def found(last: float, value: float) -> list[str]:
        t = np.linspace(0.0, last, 400)
        hot = np.full_like(t, math.nan)
        hot[200] = value
        seen = trace(reported__speed=(t, 0.0 * t), reported__temperature=(t, hot))
        facts = LinkFacts(400, {"unknown message a2": 7})
        return [doubt.text for doubt in link_doubts(seen, facts, profile, FILE)]

    said = "no telemetry-slow has arrived: its key in pump.profile.yaml, or firmware?"
    assert found(due + 0.1, math.nan) == [f"{said} (unknown message a2)"]
    assert found(due - 0.1, math.nan) == []
    assert found(due + 0.1, 25.0) == []


@settings(deadline=None, max_examples=40)
@given(
    pairs=st.integers(1, 12),
    off=st.floats(-0.08, 0.08),
    sign=st.sampled_from([1.0, -1.0]),
    over=st.booleans(),
)
def test_an_electrical_speed_is_told_by_the_pole_pairs(rig, pairs, off, sign, over) -> None:
    t = np.linspace(0.0, 2.0, 200)
    ratio = sign * (pairs if over else 1.0 / pairs) * (1.0 + off)
    found = trace(
        reported__speed=(t, np.full_like(t, ratio * 2000.0)),
        witness__speed=(t, np.full_like(t, 2000.0)),
    )
    texts = told(rig, found, pairs)
    if pairs == 1 and sign > 0.0:
        assert texts == []
    elif 1 < pairs < 8:  # from 8 on it may be 10 times as well
        assert texts == [
            f"reported.speed is {times(ratio)} what the tachometer shows, and the rig file has "
            f"{pairs} pole pairs: an electrical speed, by its unit in pump.profile.yaml, or "
            "firmware?"
        ]
    else:
        assert len(texts) == 1
    volts = trace(reported__voltage=(t, 90.0 + 0.0 * t), supply__voltage=(t, 30.0 + 0.0 * t))
    assert told(rig, volts, 3) == []


@settings(deadline=None, max_examples=40)
@given(
    decades=st.integers(-3, 3),
    off=st.floats(-0.4, 0.4),
    current=st.floats(0.9, 6.0),
    speed=st.floats(1000.0, 4000.0),
)
def test_a_current_in_another_unit_is_told_by_the_power(rig, decades, off, current, speed) -> None:
    t, u = np.linspace(0.0, 1.0, 200), np.linspace(0.0, 1.0, 20)
    motor = rig.motor
    power = (
        motor.back_emf_constant * speed * math.pi / 30.0 * current + motor.resistance * current**2
    )
    ratio = 10.0**decades * (1.0 + off)

    def found(share: float) -> list[str]:
        seen = trace(
            reported__current=(t, np.full_like(t, share * ratio * current)),
            witness__speed=(t, np.full_like(t, speed)),
            supply__voltage=(u, np.full_like(u, 24.0)),
            supply__current=(u, np.full_like(u, share * power / 24.0)),
        )
        return [one.text for one in link_doubts(seen, LinkFacts(), rig.profile, FILE, motor)]

    said = f"reported.current is {times(ratio)} what the power of the supply takes: scale in pump"
    assert found(1.0) == ([f"{said}.profile.yaml, or firmware?"] if decades else [])
    assert found(0.0) == []


def test_a_sign_is_seen_in_a_run_up_although_telemetry_is_late(rig) -> None:
    t = np.linspace(0.0, 0.4, 80)
    speed = np.minimum(6000.0 * t, 1500.0)
    late = np.minimum(6000.0 * np.maximum(t - 0.01, 0.0), 1500.0)
    found = trace(reported__speed=(t, -late), witness__speed=(t, speed))
    (text,) = told(rig, found)
    assert text.endswith("the tachometer shows: sign in pump.profile.yaml, or firmware?")


@pytest.mark.parametrize("level", [0.0, 100.0])
def test_a_shaft_that_hardly_turns_tells_nothing(rig, level: float) -> None:
    t = np.linspace(0.0, 2.0, 200)
    found = trace(
        reported__speed=(t, np.full_like(t, -level)), witness__speed=(t, np.full_like(t, level))
    )
    assert told(rig, found) == []


def test_channels_that_are_not_there_or_empty_tell_nothing(rig) -> None:
    nothing = (np.empty(0), np.empty(0))
    t = np.linspace(0.0, 2.0, 200)
    assert told(rig, trace(reported__speed=(t, t))) == []
    assert told(rig, trace(reported__voltage=nothing, supply__voltage=(t, t))) == []
    holes = np.full_like(t, np.nan)
    assert told(rig, trace(reported__voltage=(t, holes), supply__voltage=(t, t))) == []


# -- what the recorder knows ---------------------------------------------------------------------


def readings(host, board, *bad: str) -> BoardReadings:
    return BoardReadings(
        host_time=np.asarray(host, dtype=float),
        board_time=np.asarray(board, dtype=float),
        values={},
        bad=bad,
    )


def test_reasons_are_counted_without_their_bytes() -> None:
    recorder = Recorder(Sources(), 0.0)
    recorder.add_board(readings([], [], "t: 7 fields, expected 6: 't,1'", "s: unknown code 1"))
    recorder.add_board(readings([1.0], [1.0], "t: 7 fields, expected 6: 74 2c ... 35 bytes"))
    recorder.add_board(readings([], [], "checksum 1A2B, expected 3C4D: 't,1'"))
    facts = recorder.link_facts()
    assert facts.frames == 1
    assert facts.reasons == {"t: 7 fields, expected 6": 2, "s: unknown code 1": 1}
    assert facts.clock is None
    assert Recorder(Sources(), 0.0).link_facts().frames == 0


@given(factor=st.sampled_from([1e-3, 0.5, 1.0, 1e3]), batch=st.integers(1, 40))
def test_the_rate_of_the_clock_holds_however_many_frames_are_read_together(factor, batch) -> None:
    recorder = Recorder(Sources(), 0.0)
    for start in range(0, 400, batch):
        board = factor * 0.005 * np.arange(start, start + batch)
        recorder.add_board(readings([0.005 * (start + batch - 1)] * batch, board))
    assert recorder.link_facts().clock == pytest.approx(factor)


def test_less_than_a_second_or_no_board_time_tells_no_rate() -> None:
    short, none = Recorder(Sources(), 0.0), Recorder(Sources(), 0.0)
    for t in np.arange(0.0, 0.9, 0.01):
        short.add_board(readings([t], [1000.0 * t]))
        none.add_board(readings([3.0 * t], [np.nan]))
    assert short.link_facts().clock is None
    assert none.link_facts().clock is None


@given(still=st.floats(0.8, 20.0), kept=st.floats(0.0, 0.4), at=st.floats(1.2, 2.5))
def test_a_host_that_stood_still_does_not_make_a_clock_slow(still, kept, at) -> None:
    """What waits is read late, and what no longer fits the buffer of the port is lost."""
    recorder = Recorder(Sources(), 0.0)
    for t in np.arange(0.0, at, 0.01):
        recorder.add_board(readings([t], [t]))
    waited = np.arange(at, at + kept, 0.01)
    recorder.add_board(readings([at + still] * waited.size, waited))
    for t in np.arange(at + still, at + still + 0.3, 0.01):
        recorder.add_board(readings([t], [t]))
    assert recorder.link_facts().clock == pytest.approx(1.0, rel=0.01)


def test_telemetry_that_comes_seldom_is_rated_all_the_same() -> None:
    recorder = Recorder(Sources(), 0.0)
    for t in np.arange(0.0, 20.0, 2.0):
        recorder.add_board(readings([t], [1e-3 * t]))
    assert recorder.link_facts().clock == pytest.approx(1e-3)


def test_a_board_that_restarts_is_rated_over_its_longest_stretch() -> None:
    recorder = Recorder(Sources(), 0.0)
    for t in np.arange(0.0, 4.0, 0.01):
        recorder.add_board(readings([t], [2.0 * (t if t < 1.5 else t - 1.5)]))
    assert recorder.link_facts().clock == pytest.approx(2.0)
