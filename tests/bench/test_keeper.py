"""Guard, interlocks and timed stops as the bench uses them, on stand-ins."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from hil.bench.bench import NOT_OFF
from hil.bench.guard import GuardLost
from hil.bench.keeper import INTERLOCK_POLL, InterlockOpen, Keeper
from hil.bench.limits import LimitExceeded
from hil.core.errors import BenchError, InstrumentError


class FakeGuard:
    """Writes down what it is told."""

    def __init__(self, journal: list[str]) -> None:
        self.journal, self.energised, self.why, self.trouble = journal, False, "", ""
        self.armed = True
        self.beats = 0
        self.did = ""

    def await_armed(self) -> None:
        self.journal.append("guard awaited")
        if not self.armed:
            raise GuardLost("the guard of the supply is not armed: no answer")

    def beat(self) -> None:
        self.beats += 1

    def lost(self) -> str:
        return self.why

    def acted(self) -> str:
        self.journal.append("guard asked what it did")
        return self.did

    def limit(self, seconds: float | None, why: str = "") -> None:
        self.journal.append(f"guard limit {seconds} {why}")

    def demand(self, why: str) -> None:
        self.journal.append(f"guard demand {why}")

    def disarm(self) -> str:
        self.journal.append("guard disarm")
        return self.trouble

    def leave(self) -> str:
        self.journal.append("guard leave")
        return "its guard goes on"


class FakeInterlock:
    def __init__(self, journal: list[str]) -> None:
        self.journal, self.contacts, self.reads = (
            journal,
            {"emergency-stop": True, "guard": True},
            0,
        )
        self.broken = ""

    def identify(self) -> None:
        raise AssertionError("not asked here")

    def read(self) -> dict[str, bool]:
        self.reads += 1
        if self.broken:
            raise InstrumentError(self.broken)
        return dict(self.contacts)

    def close(self) -> None:
        self.journal.append("interlock close")
        if self.broken:
            raise InstrumentError(self.broken)


@pytest.fixture
def kept(kit: SimpleNamespace) -> SimpleNamespace:
    """The bench of stand-ins with a guard and interlocks."""
    guard, interlock = FakeGuard(kit.journal), FakeInterlock(kit.journal)
    kit.parts.guard, kit.parts.interlock = guard, interlock
    return SimpleNamespace(**{**vars(kit), "bench": kit.make()}, guard=guard, interlock=interlock)


def energised(kept: SimpleNamespace) -> None:
    kept.bench.begin_trace()
    kept.bench.board.stream(True)
    kept.bench.energise(24.0)


# -- output-on ----------------------------------------------------------------------------


def test_the_guard_is_armed_and_knows_before_the_output_goes_on(kept) -> None:
    energised(kept)
    calls = [c for c in kept.journal if c in ("guard awaited", "supply on")]
    assert calls == ["guard awaited", "supply on"]
    assert kept.guard.energised
    assert kept.bench.guarded


@pytest.mark.parametrize("did", ["", "the guard switched off: no sign of life for 1.20 s"])
def test_an_output_that_is_found_off_may_be_the_guards_doing(kept, did: str) -> None:
    energised(kept)
    assert kept.bench.supply_lost() == ""
    assert "guard asked what it did" not in kept.journal  # that takes time
    kept.supply.on, kept.guard.did = False, did
    expected = did or "the supply switched its output off by itself in mid-scenario"
    assert kept.bench.supply_lost().startswith(expected)


def test_without_an_armed_guard_the_output_stays_off(kept) -> None:
    kept.guard.armed = False
    with pytest.raises(GuardLost, match="not armed"):
        kept.bench.energise(24.0)
    assert "supply on" not in kept.journal
    assert not kept.guard.energised


def test_a_guard_lost_while_idle_is_noticed_at_output_on(kept) -> None:
    kept.guard.why = "the guard process was killed by signal 9"
    with pytest.raises(GuardLost, match="killed by signal 9"):
        kept.bench.energise(24.0)
    assert "supply on" not in kept.journal


@pytest.mark.parametrize("name", ["emergency-stop", "guard"])
def test_an_open_interlock_keeps_the_output_off(kept, name: str) -> None:
    kept.interlock.contacts[name] = False
    with pytest.raises(InterlockOpen, match=f"interlock open: {name}; a person must see"):
        kept.bench.energise(24.0)
    assert "supply on" not in kept.journal
    assert not any(call.startswith("supply prepare") for call in kept.journal)


def test_every_open_interlock_is_named(kept) -> None:
    kept.interlock.contacts = dict.fromkeys(kept.interlock.contacts, False)
    with pytest.raises(InterlockOpen, match="interlock open: emergency-stop, guard;"):
        kept.bench.keeper.check_interlocks()


def test_interlocks_that_cannot_be_read_keep_the_output_off(kept) -> None:
    kept.interlock.broken = "no answer"
    with pytest.raises(InstrumentError, match="no answer"):
        kept.bench.energise(24.0)
    assert "supply on" not in kept.journal


# -- while it is on -----------------------------------------------------------------------


def test_every_poll_says_that_the_run_moves_on(kept) -> None:
    energised(kept)
    before = kept.guard.beats
    kept.bench.wait(0.5)
    assert kept.guard.beats - before >= 50


def test_a_lost_guard_ends_the_wait_at_the_next_poll(kept) -> None:
    energised(kept)
    kept.clock.at(0.3, lambda: setattr(kept.guard, "why", "the guard process ended with code 1"))
    before = kept.clock.now()
    with pytest.raises(GuardLost, match="ended with code 1"):
        kept.bench.wait(5.0)
    assert kept.clock.now() - before < 0.35


def test_an_interlock_that_opens_is_seen_within_its_interval(kept) -> None:
    energised(kept)
    kept.clock.at(0.3, lambda: kept.interlock.contacts.__setitem__("guard", False))
    before = kept.clock.now()
    with pytest.raises(InterlockOpen):
        kept.bench.wait(5.0)
    assert kept.clock.now() - before < 0.3 + 2.0 * INTERLOCK_POLL
    assert not issubclass(InterlockOpen, InstrumentError)  # else the bench would be opened again
    assert issubclass(InterlockOpen, BenchError)


def test_interlocks_are_not_read_on_every_poll(kept) -> None:
    energised(kept)
    before = kept.interlock.reads
    kept.bench.wait(1.0)
    assert 8 <= kept.interlock.reads - before <= 12


# -- stops --------------------------------------------------------------------------------


def test_a_normal_stop_waits_for_standstill_and_is_timed(kept) -> None:
    energised(kept)
    kept.bench.watch.expect(1)
    kept.board.start(1600.0)
    kept.bench.wait(0.5)
    kept.journal.clear()
    assert kept.bench.come_to_rest()
    calls = [
        c for c in kept.journal if c in ("board stop", "supply off") or c.startswith("guard d")
    ]
    assert calls == ["board stop", "supply off"]  # in this order, and no emergency
    (stop,) = kept.bench.keeper.take_stops()
    assert stop.startswith("normal stop: standstill 0.2")  # 1600 rpm at 8000 rpm/s
    assert "supply off, read back, 0.0" in stop
    assert not kept.guard.energised
    assert kept.bench.keeper.take_stops() == []


def test_a_shaft_that_does_not_come_to_rest_is_said_and_the_supply_goes_off(kept) -> None:
    energised(kept)
    kept.bench.watch.expect(1)
    kept.board.start(1600.0)
    kept.bench.wait(0.3)
    kept.board.refuses.add("stop")
    assert not kept.bench.come_to_rest()
    assert kept.bench.keeper.take_stops()[0].startswith("normal stop: NO standstill 4.0")
    assert not kept.supply.on


def test_an_emergency_goes_off_at_once_by_both_ways_and_is_timed(kept) -> None:
    energised(kept)
    kept.bench.watch.expect(1)
    kept.board.start(7000.0)
    with pytest.raises(LimitExceeded):
        kept.bench.wait(2.0)
    kept.journal.clear()
    assert kept.bench.make_safe() == []
    assert kept.journal[:2] == ["guard demand emergency stop of the run", "supply off"]
    assert "board stop" not in kept.journal
    (stop,) = kept.bench.keeper.take_stops()
    assert stop.startswith("emergency stop: supply off, read back, 0.000 s after")


def test_making_safe_what_is_safe_is_no_emergency(kept) -> None:
    kept.bench.make_safe()
    assert kept.bench.keeper.take_stops() == []
    assert not any(call.startswith("guard demand") for call in kept.journal)


def test_a_supply_that_cannot_be_proven_off_is_said(kept) -> None:
    energised(kept)
    kept.supply.broken = "no answer"
    problems = kept.bench.make_safe()
    assert problems[0].startswith(f"{NOT_OFF}: no answer; the board ")
    (stop,) = kept.bench.keeper.take_stops()
    assert "supply NOT proven off" in stop
    assert kept.bench.energised
    assert kept.guard.energised  # it goes on watching


# -- the end ------------------------------------------------------------------------------


def test_the_guard_is_disarmed_last(kept) -> None:
    energised(kept)
    assert kept.bench.close() == []
    order = [kept.journal.index(call) for call in ("supply off", "supply close", "guard disarm")]
    assert order == sorted(order)
    assert "interlock close" in kept.journal


def test_a_guard_whose_supply_is_not_proven_off_is_left_behind(kept) -> None:
    energised(kept)
    kept.supply.broken = "no answer"
    problems = kept.bench.close()
    assert problems[0].startswith(NOT_OFF)
    assert problems[-1] == "its guard goes on"
    assert kept.journal[-1] == "interlock close"
    assert "guard leave" in kept.journal
    assert "guard disarm" not in kept.journal
    assert kept.bench.keeper.left_to_guard


def test_trouble_at_the_end_is_told_and_keeps_nothing_from_closing(kept) -> None:
    kept.guard.trouble = "the guard process did not end by itself and was killed"
    kept.interlock.broken = "gone"
    problems = kept.bench.close()
    assert problems == [kept.guard.trouble, "closing a port failed: gone"]


def test_without_guard_and_interlocks_a_keeper_only_times(kit) -> None:
    keeper = Keeper(kit.clock)
    keeper.before_output_on()
    keeper.look()
    keeper.limit(1.0, "x")
    keeper.demand_off()
    keeper.output_is_off()
    assert not keeper.guarded
    assert keeper.close() == []
