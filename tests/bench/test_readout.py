"""What a bench reads while time passes: recorded, watched, and what silence means."""

from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.bench.bench import Bench
from hil.bench.limits import LimitExceeded
from hil.bench.supply_watch import ProtectionTripped
from hil.core.drive import DriveState, Fault
from hil.core.errors import FirmwareError, InstrumentError, LinkError, LinkTimeout

Kit = SimpleNamespace


def energised(kit: Kit, **settings: float) -> Bench:
    """The kit's bench, or one with these settings."""
    bench = kit.make(**settings) if settings else kit.bench
    bench.begin_trace()
    bench.board.stream(True)
    bench.energise(24.0)
    kit.journal.clear()
    return bench


def looks(kit: Kit, bench: Bench) -> list[float]:
    """Filled with the time of every poll from now on, s."""
    begun, seen = kit.clock.now(), []
    bench.observer = SimpleNamespace(readings=lambda _: seen.append(kit.clock.now() - begun))
    return seen


# -- time and readings --------------------------------------------------------------------


def test_waiting_reads_everything_that_is_due(kit: Kit) -> None:
    energised(kit)
    kit.bench.begin_trace()
    kit.bench.wait(0.5)
    trace = kit.bench.trace()
    assert trace.end == pytest.approx(0.5)
    assert len(trace.channels["reported.speed"]) == pytest.approx(100, abs=2)  # 200 Hz
    assert len(trace.channels["witness.speed"]) == pytest.approx(50, abs=2)  # every poll, 10 ms
    assert len(trace.channels["supply.voltage"]) == pytest.approx(11, abs=1)  # every 50 ms


def test_while_only_time_is_waited_for_all_but_the_supply_is_read_seldom(kit: Kit) -> None:
    bench = kit.make(poll=0.1, quiet_poll=0.25)
    bench.begin_trace()
    bench.board.stream(True)
    bench.energise(24.0)
    bench.begin_trace()
    bench.poll()
    seen = looks(kit, bench)
    bench.wait(1.0)
    assert seen == pytest.approx([0.25, 0.5, 0.75, 1.0], abs=0.01)
    trace = bench.trace()
    assert trace.end == pytest.approx(1.0)
    assert len(trace.channels["reported.speed"]) == pytest.approx(200, abs=2)  # all of it arrived
    assert len(trace.channels["supply.voltage"]) == pytest.approx(21, abs=2)  # every 50 ms
    assert np.max(np.diff(trace.channels["supply.voltage"].t)) < 0.06
    seen.clear()
    assert not bench.wait_until(lambda: False, 0.5)  # somebody waits: ten times a second
    assert seen == pytest.approx(1.0 + np.arange(0.1, 0.6, 0.1), abs=0.01)


def test_a_wait_goes_on_with_the_beat_of_the_one_before(kit: Kit) -> None:
    bench = energised(kit, poll=0.1, quiet_poll=0.25)
    bench.wait(0.25)
    seen = looks(kit, bench)
    bench.wait(0.1)
    kit.clock.sleep(0.2)  # a command takes its time
    bench.wait(0.4)
    assert seen == pytest.approx([0.1, 0.35, 0.6, 0.7], abs=0.01)
    kit.clock.sleep(0.3)
    bench.wait(0.1)  # the look is overdue
    assert seen[4:] == pytest.approx([1.0, 1.1], abs=0.01)


def test_nothing_is_read_twice_at_one_instant(kit: Kit) -> None:
    energised(kit)
    kit.bench.poll()
    seen = looks(kit, kit.bench)
    assert kit.bench.wait_until(lambda: True, 1.0)
    assert seen == []
    kit.clock.sleep(0.001)
    assert kit.bench.wait_until(lambda: True, 1.0)
    assert seen == [pytest.approx(0.001)]


def test_a_wait_ends_early_with_what_was_not_to_come(kit: Kit) -> None:
    bench = energised(kit, poll=0.1, quiet_poll=0.25)
    bench.poll()
    begun = kit.clock.now()
    assert bench.wait_unless(lambda: kit.clock.now() > begun + 0.3, 1.0)
    assert kit.clock.now() - begun == pytest.approx(0.5, abs=0.01)  # read as in any other wait
    assert not bench.wait_unless(lambda: False, 0.6)
    assert kit.clock.now() - begun == pytest.approx(1.1, abs=0.01)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(waits=st.lists(st.floats(0.0, 0.7), min_size=1, max_size=8))
def test_no_row_of_waits_leaves_a_bench_unread_for_longer_than_said(
    kit: Kit, waits: list[float]
) -> None:
    bench = energised(kit, poll=0.1, quiet_poll=0.25)
    bench.poll()
    seen = looks(kit, bench)
    for seconds in waits:
        bench.wait(seconds)
    assert all(later - one < 0.25 + 1e-6 for one, later in pairwise([0.0, *seen]))
    assert sum(waits) - [0.0, *seen][-1] < 1e-6  # what came last has been read
    assert len(seen) <= len(waits) + sum(waits) / 0.25


def test_the_supply_is_held_against_its_limits_between_two_polls(kit: Kit) -> None:
    bench = kit.make(poll=0.1, quiet_poll=10.0)
    bench.begin_trace()
    bench.energise(24.0)
    begun = kit.clock.now()
    kit.supply.current = 16.0  # the limit is 15 A
    with pytest.raises(LimitExceeded, match=r"supply\.current reached 16 A"):
        bench.wait(10.0)
    assert kit.clock.now() - begun < 0.1


def test_wait_until_ends_with_its_condition_or_at_its_time(kit: Kit) -> None:
    before = kit.clock.now()
    assert kit.bench.wait_until(lambda: kit.clock.now() >= before + 0.3, 1.0)
    assert kit.clock.now() - before == pytest.approx(0.3, abs=0.011)
    assert not kit.bench.wait_until(lambda: False, 0.25)
    assert kit.clock.now() - before == pytest.approx(0.55, abs=0.011)


def test_a_condition_that_holds_already_takes_no_time(kit: Kit) -> None:
    before = kit.clock.now()
    assert kit.bench.wait_until(lambda: True, 1.0)
    assert kit.clock.now() == before


def test_the_newest_values_are_at_hand(kit: Kit) -> None:
    energised(kit)
    kit.bench.watch.expect(1)
    kit.board.start(1000.0)
    kit.bench.wait(0.5)
    latest = kit.bench.latest
    assert latest.state is DriveState.RUN
    assert (latest.speed, latest.reported_speed) == (1000.0, 1000.0)
    assert (latest.current, latest.voltage, latest.temperature) == (0.5, 24.0, 30.0)


def test_without_a_tachometer_the_reported_speed_stands_in(kit: Kit) -> None:
    bench = kit.make(tachometer=None)
    bench.begin_trace()
    kit.board.streaming = True
    kit.board.start(800.0)
    bench.wait(0.5)
    assert np.isnan(bench.latest.witness_speed)
    assert bench.latest.speed == 800.0


def test_a_new_trace_forgets_the_old_one(kit: Kit) -> None:
    energised(kit)
    kit.bench.mark("command")
    kit.bench.wait(0.1)
    kit.bench.begin_trace()
    assert kit.bench.latest.state is None
    assert kit.bench.trace().marks == ()
    assert "tachometer begin" in kit.journal
    kit.bench.mark_at("stop", kit.clock.now() + 0.25, "later")
    (mark,) = kit.bench.trace().marks
    assert (mark.t, mark.detail) == (pytest.approx(0.25), "later")
    assert kit.bench.trace_start == kit.clock.now()


# -- watching -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "value", "text"),
    [
        ("reported.current", 16.0, r"reported\.current reached 16 A"),
        ("reported.voltage", 45.5, r"reported\.voltage reached 45\.5 V"),
        ("reported.temperature", 95.0, r"reported\.temperature reached 95 degC"),
    ],
)
def test_polling_holds_what_the_board_reports_against_the_limits(
    kit: Kit, channel: str, value: float, text: str
) -> None:
    energised(kit)
    kit.board.report[channel] = value
    with pytest.raises(LimitExceeded, match=text):
        kit.bench.wait(0.1)
    assert kit.bench.trace().channels[channel].y.max() == value  # the evidence is kept


def test_polling_holds_supply_and_shaft_against_the_limits(kit: Kit) -> None:
    energised(kit)
    kit.supply.current = 15.5
    with pytest.raises(LimitExceeded, match=r"supply\.current"):
        kit.bench.wait(0.1)
    kit.supply.current = 0.1
    kit.bench.watch.expect(None)
    kit.board.start(7000.0)
    with pytest.raises(LimitExceeded, match=r"speed reached"):
        kit.bench.wait(2.0)


def test_a_board_that_falls_silent_is_noticed(kit: Kit) -> None:
    energised(kit)
    kit.bench.wait(0.1)
    kit.board.silent = True
    before = kit.clock.now()
    with pytest.raises(LinkTimeout, match=r"no telemetry for 0\.5. s in mid-scenario"):
        kit.bench.wait(5.0)
    assert kit.clock.now() - before == pytest.approx(0.51, abs=0.02)


def test_where_only_the_firmware_can_be_at_fault_its_silence_is_its_own_doing(kit: Kit) -> None:
    energised(kit)
    kit.bench.firmware = "pump"
    kit.bench.wait(0.1)
    kit.board.silent = True
    with pytest.raises(FirmwareError, match=r"^pump: no telemetry for 0\.5. s in mid-scenario$"):
        kit.bench.wait(5.0)


def test_the_same_frame_again_and_again_is_silence_and_no_contradiction(kit: Kit) -> None:
    energised(kit)
    kit.bench.wait(0.1)
    kit.clock.sleep(0.02)
    kept = kit.board.read()
    kept = replace(kept, board_time=np.full(len(kept), 0.1))
    assert len(kept)
    kit.board.read = lambda: kept
    before = kit.clock.now()
    with pytest.raises(LinkTimeout, match=r"no telemetry but the same frame again and again for"):
        kit.bench.wait(5.0)
    assert kit.clock.now() - before < 0.6


def test_noise_in_place_of_telemetry_is_named(kit: Kit) -> None:
    energised(kit)
    kit.bench.wait(0.1)
    kit.board.silent, kit.board.bad = True, ("checksum differs",)
    with pytest.raises(LinkTimeout, match=r"\d+ pieces of data did not decode.*checksum differs"):
        kit.bench.wait(5.0)


def test_a_slow_host_does_not_make_a_board_silent(kit: Kit) -> None:
    """What arrived while nobody looked is read at once, and counts."""
    energised(kit)
    kit.bench.wait(0.1)
    kit.clock.sleep(3.0)
    kit.bench.wait(0.1)


def test_silence_before_the_first_frame_is_for_others_to_judge(kit: Kit) -> None:
    kit.board.silent = True
    kit.bench.begin_trace()
    kit.bench.wait(2.0)


def test_a_supply_that_goes_off_by_itself_is_the_benchs_fault(kit: Kit) -> None:
    energised(kit)
    kit.clock.at(0.3, lambda: setattr(kit.supply, "on", False))
    with pytest.raises(InstrumentError, match="switched its output off by itself") as caught:
        kit.bench.wait(1.0)
    assert "over-voltage protection at 46 V" in str(caught.value)


@pytest.mark.parametrize(
    ("trips", "error", "said"),
    [
        (("over-current",), ProtectionTripped, "over-current protection tripped by 0.3"),
        (("over-voltage",), ProtectionTripped, "over-voltage protection tripped by 0.3"),
        (("over-voltage", "over-current"), ProtectionTripped, "over-voltage and over-current prot"),
        ((), InstrumentError, "the supply switched its output off by itself"),
    ],
)
def test_why_a_supply_went_off_is_told_where_it_says_so(kit: Kit, trips, error, said) -> None:
    energised(kit)
    kit.supply.trips = lambda: trips
    kit.bench.begin_trace()
    kit.clock.at(0.3, lambda: setattr(kit.supply, "on", False))
    with pytest.raises(InstrumentError) as caught:
        kit.bench.wait(1.0)
    assert type(caught.value) is error
    assert said in str(caught.value)
    assert ("over-voltage" in trips or not trips) is ("protection at 46 V" in str(caught.value))
    assert kit.bench.supply_lost() in str(caught.value)  # and is not asked again
    kit.supply.trips = tuple
    assert said in kit.bench.supply_lost()
    assert isinstance(kit.bench.loss("x"), error)


def test_a_new_output_on_begins_without_the_trip_of_the_last(kit: Kit) -> None:
    energised(kit)
    kit.supply.trips = lambda: ("over-current",)
    kit.supply.on = False
    assert "over-current" in kit.bench.supply_lost()
    kit.bench.switch_off()
    energised(kit)
    assert kit.bench.supply_lost() == ""
    assert type(kit.bench.loss("x")) is InstrumentError


def test_a_pumped_up_dc_link_is_no_lost_supply(kit: Kit) -> None:
    energised(kit)
    kit.supply.sag = -8.0
    kit.bench.wait(0.2)
    assert kit.bench.supply_lost() == ""


def test_a_supply_that_is_off_on_purpose_is_not_lost(kit: Kit) -> None:
    assert kit.bench.supply_lost() == ""
    energised(kit)
    kit.bench.switch_off()
    assert kit.bench.supply_lost() == ""
    kit.bench.wait(0.2)


def test_a_supply_that_no_longer_answers_is_lost(kit: Kit) -> None:
    energised(kit)
    kit.supply.broken = "connection reset"
    assert kit.bench.supply_lost() == "the supply no longer answers: connection reset"


def test_a_broken_link_and_a_vanished_tachometer_end_a_wait(kit: Kit) -> None:
    energised(kit)
    kit.tachometer.broken = "gone"
    with pytest.raises(InstrumentError, match="gone"):
        kit.bench.wait(0.1)
    kit.board.broken = "unplugged"
    with pytest.raises(LinkError, match="unplugged"):
        kit.bench.wait(0.1)


def test_an_observer_sees_every_poll(kit: Kit) -> None:
    seen = []
    kit.bench.observer = SimpleNamespace(step=seen.append, readings=seen.append)
    kit.bench.wait(0.1)
    assert len(seen) >= 10
    assert all(now is kit.bench.latest for now in seen)


def test_identities_name_everything_wired(kit: Kit) -> None:
    roles = [who.role for who in kit.bench.identities()]
    assert roles == ["board", "supply", "tachometer", "brake", "switch"]
    bare = kit.make(tachometer=None, brake=None, switch=None)
    assert [who.role for who in bare.identities()] == ["board", "supply"]
    assert bare.make_safe() == []


def test_faults_are_read_as_flags(kit: Kit) -> None:
    energised(kit)
    kit.board.trip(Fault.STALL | Fault.OVER_CURRENT)
    kit.bench.wait(0.05)
    assert kit.bench.latest.fault == Fault.STALL | Fault.OVER_CURRENT
    assert kit.bench.latest.state is DriveState.FAULT


# -- keep-alive ---------------------------------------------------------------------------


def test_the_board_is_spoken_to_while_it_is_energised(kit):
    bench = kit.make(keep_alive=0.2)
    bench.wait(1.0)
    assert "board identify" not in kit.journal
    bench.energise(24.0)
    bench.wait(1.0)
    assert 4 <= kit.journal.count("board identify") <= 6
    bench.switch_off()
    kit.journal.clear()
    bench.wait(1.0)
    assert "board identify" not in kit.journal


def test_a_board_that_can_be_nudged_is_not_waited_for(kit):
    bench = kit.make(keep_alive=0.2)
    answers = iter([False, False, *([True] * 20)])
    said, settled = [], []

    class CanBeNudged(type(kit.board)):  # of its own: what a class can do is remembered
        def nudge(self):
            said.append(kit.clock.now())
            return next(answers)

        def settle(self):
            settled.append(bench.energised)

    kit.board.__class__ = CanBeNudged
    bench.energise(24.0)
    bench.wait(1.0)
    assert "board identify" not in kit.journal
    sent = said[2:]  # the first two found the line taken and came again at once
    assert said[1] - said[0] < 0.1
    assert 3 <= len(sent) <= 6
    assert all(later - earlier >= 0.2 for earlier, later in pairwise(sent))
    bench.come_to_rest()
    assert settled == [False]  # what is still to come is waited for once the supply is off


def test_without_a_keep_alive_nothing_is_said_unasked(kit):
    kit.bench.energise(24.0)
    kit.bench.wait(2.0)
    assert "board identify" not in kit.journal


def test_a_quiet_bench_goes_on_reading(kit):
    bench = kit.make(keep_alive=0.1)
    bench.energise(24.0)
    kit.board.stream(True)
    bench.quiet = True
    kit.journal.clear()
    bench.wait(0.5)
    assert kit.journal == []
    assert bench.latest.state is not None
