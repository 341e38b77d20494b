"""A bench over a run: reopened after trouble for a bounded time, and always the same devices."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import pytest

from hil.bench import session as sessions
from hil.bench.bench import NOT_OFF
from hil.bench.choose import Choice
from hil.bench.coming_up import Overload
from hil.bench.cooling import StillHot
from hil.bench.keeper import InterlockOpen
from hil.bench.limits import LimitExceeded
from hil.bench.operator import OperatorStop
from hil.bench.session import RECONNECT, Session, same_device
from hil.bench.supply_watch import ProtectionTripped
from hil.core.errors import BenchError, FirmwareError, InstrumentError, LinkError
from hil.core.record import UNSAFE, Identity
from hil.plan.rig import Rig


@pytest.fixture
def run(kit: SimpleNamespace, rig: Rig, monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """A session on stand-ins; `failing` is how many further openings fail."""
    made = SimpleNamespace(
        opened=0,
        failing=0,
        notes=[],
        held=[],
        kit=kit,
        board=Identity(role="board", model="M", revision="1"),
    )

    def open_bench(*_: object, held: list[str], **__: object):
        made.opened += 1
        held += made.held
        if made.failing > 0:
            made.failing -= 1
            raise LinkError("no such port")
        kit.board.broken = ""
        kit.board.identify = lambda: made.board
        return kit.make()

    monkeypatch.setattr(sessions, "open_bench", open_bench)

    def session(simulated: bool = False, held: tuple[str, ...] = ()) -> Session:
        return Session(
            rig, Choice(simulated, "as asked for", {}, held), seed="1", clock=kit.clock,
            note=lambda text, level: made.notes.append((level, text)),
        )  # fmt: skip

    made.session = session
    return made


def test_it_stays_open_from_item_to_item(run) -> None:
    session = run.session()
    assert session.open("a") is session.open("b")
    assert run.opened == 1


def test_who_is_there_is_kept(run) -> None:
    session = run.session()
    session.open("a")
    assert session.identities[0] == run.board
    session.close()
    assert session.identities_at_end[0] == run.board
    assert session.changed() == ""


@pytest.mark.parametrize("fails", [False, True])
def test_what_stood_in_error_queues_is_noted_once(run, fails: bool) -> None:
    session = run.session(held=("asked: -1",))
    run.held, run.failing = ["opened: -2"], int(fails)
    if fails:
        with pytest.raises(LinkError):
            session.open("a")
        assert run.notes == []  # nothing is written before it is known who is there
        session.tell_held()
    else:
        session.open("a")
        session.open("b")
    assert run.notes == [("warning", "asked: -1"), ("warning", "opened: -2")]
    session.tell_held()
    assert len(run.notes) == 2


@pytest.mark.parametrize("problem", [LinkError("x"), InstrumentError("x"), KeyboardInterrupt()])
def test_it_is_opened_anew_after_trouble(run, problem: BaseException) -> None:
    session = run.session()
    first = session.open("a")
    session.let_go_after(problem)
    assert session.bench is None
    assert session.open("b") is not first
    assert any(text.startswith("reconnected after 0.0 s, attempt 1") for _, text in run.notes)


@pytest.mark.parametrize("problem", [None, FirmwareError("x"), BenchError("refused as unsafe")])
def test_other_problems_leave_it_open(run, problem: Exception | None) -> None:
    session = run.session()
    first = session.open("a")
    session.let_go_after(problem)
    assert session.open("b") is first


@pytest.mark.parametrize(("simulated", "ends"), [(False, True), (True, False)])
def test_over_speed_ends_a_run_on_hardware(run, simulated: bool, ends: bool) -> None:
    session = run.session(simulated=simulated)
    first = session.open("a")
    session.let_go_after(LimitExceeded("witness.speed reached 7000 rpm", "speed"))
    assert session.dead == ("witness.speed reached 7000 rpm" if ends else "")
    if ends:
        with pytest.raises(BenchError, match="reached 7000 rpm"):
            session.open("b")
    else:
        assert session.open("b") is first


@pytest.mark.parametrize(("simulated", "ends"), [(False, True), (True, False)])
def test_a_protection_of_the_supply_that_tripped_ends_a_run_on_hardware(
    run, simulated: bool, ends: bool
) -> None:
    session = run.session(simulated=simulated)
    session.open("a")
    session.let_go_after(ProtectionTripped("over-current"))
    assert session.bench is None
    assert session.dead == ("over-current" if ends else "")


@pytest.mark.parametrize("what", ["temperature", ""])
def test_other_limits_leave_it_to_the_next_item(run, what: str) -> None:
    session = run.session()
    first = session.open("a")
    session.let_go_after(LimitExceeded("x", what))
    assert session.open("b") is first


def test_reconnecting_is_tried_for_a_while(run) -> None:
    session = run.session()
    session.open("a")
    session.let_go_after(LinkError("unplugged"))
    run.failing = 4
    session.open("b")
    assert run.opened == 6
    assert ("warning", "reconnected after 2.0 s, attempt 5") in run.notes


def test_and_then_given_up_for_good_with_both_reasons(run) -> None:
    session = run.session()
    session.open("a")
    session.let_go_after(LinkError("unplugged"))
    run.failing, before = 10**6, run.kit.clock.now()
    with pytest.raises(LinkError, match="no such port"):
        session.open("b")
    assert run.kit.clock.now() - before <= RECONNECT
    assert session.dead == ("the bench could not be opened again after unplugged: no such port")
    attempts = run.opened
    with pytest.raises(BenchError, match="again after unplugged"):
        session.open("c")
    assert run.opened == attempts


def test_the_first_opening_is_not_repeated(run) -> None:
    run.failing = 10**6
    session = run.session()
    with pytest.raises(LinkError):
        session.open("a")
    assert run.opened == 1
    assert session.dead == "the bench could not be opened: no such port"


def test_a_simulated_bench_needs_no_patience(run) -> None:
    session = run.session(simulated=True)
    session.open("a")
    session.let_go_after(LinkError("x"))
    run.failing = 1
    with pytest.raises(LinkError):
        session.open("b")


@pytest.mark.parametrize("what", ["model", "serial", "revision"])
def test_a_run_goes_on_only_with_what_it_began_with(run, what: str) -> None:
    session = run.session()
    session.open("a")
    session.let_go_after(LinkError("x"))
    run.board = dataclasses.replace(run.board, **{what: "other"})
    with pytest.raises(BenchError, match=r"the board answers as .*, but the run began with M 1"):
        session.open("b")
    assert session.dead
    assert session.bench is None


def test_a_port_that_changed_its_name_is_the_same_device(run) -> None:
    session = run.session()
    session.open("a")
    session.let_go_after(LinkError("x"))
    run.board = dataclasses.replace(run.board, resource="/dev/ttyACM7")
    session.open("b")
    assert same_device(session.identities[0], run.board)


def test_what_changed_until_the_end_is_told(run) -> None:
    session = run.session()
    session.open("a")
    run.board = dataclasses.replace(run.board, revision="2")
    session.close()
    assert session.changed() == "the board answers as M 2, but the run began with M 1"


@pytest.mark.parametrize("kind", [InterlockOpen, OperatorStop, Overload, StillHot])
def test_what_a_person_must_see_to_first_is_not_opened_again(run, kind) -> None:
    session = run.session()
    session.open("a")
    session.let_go_after(kind("interlock open: guard"))
    with pytest.raises(BenchError, match="interlock open: guard"):
        session.open("b")
    assert run.opened == 1


def test_a_bench_that_cannot_be_made_safe_is_left_unsafe_until_it_is(run) -> None:
    session = run.session()
    bench = session.open("a")
    bench.energise(24.0)
    run.kit.supply.broken = "no answer"
    session.let_go_after(InstrumentError("no answer"))
    assert session.left_unsafe
    said = f"{NOT_OFF}: no answer; the board read 24.0 V at its DC link "
    assert any(text.startswith(said) for _, text in run.notes)
    run.kit.supply.broken = ""
    session.open("b")  # opening switches off and proves it
    assert not session.left_unsafe
    assert session.unsafe  # it is not forgotten


def test_what_is_left_unsafe_is_told_once_whatever_the_link_does_meanwhile(run) -> None:
    session = run.session()
    session.open("a").energise(24.0)
    run.kit.supply.broken = "no answer"
    for step in range(40):  # the DC link runs down
        volts = 24.0 - step
        run.kit.clock.at(0.1 * step, lambda v=volts: setattr(run.kit.board, "feed_voltage", v))
    session.close()
    (said,) = session.unsafe
    assert said.startswith(f"{NOT_OFF}: no answer; the board read ")
    assert [text for level, text in run.notes if level == UNSAFE] == [said]


def test_a_port_that_does_not_close_is_told_and_no_reason_to_check_the_bench(run) -> None:
    session = run.session()
    session.open("a")

    def gone() -> None:
        raise OSError("gone")

    run.kit.parts.on_close.append(gone)
    session.close()
    assert session.unsafe == []
    assert session.untidy == ["closing the bench failed: OSError: gone"]
    assert ("warning", session.untidy[0]) in run.notes


def test_a_time_limit_follows_the_guard_from_bench_to_bench(run) -> None:
    said: list[tuple[float | None, str]] = []
    run.kit.parts.guard = SimpleNamespace(
        limit=lambda seconds, why="": said.append((seconds, why)),
        disarm=lambda: "",
        demand=lambda _why: None,
        energised=False,
    )
    session = run.session()
    session.set_limit(10.0, "too long")
    session.open("a")
    run.kit.clock.sleep(4.0)
    session.let_go_after(LinkError("x"))
    session.open("b")
    session.set_limit(None)
    assert said == [(10.0, "too long"), (6.0, "too long"), (None, "")]


def test_it_tells_whether_a_guard_was_left_behind(run) -> None:
    run.kit.parts.guard = SimpleNamespace(
        beat=lambda: None, lost=lambda: "", await_armed=lambda: None, demand=lambda _why: None,
        limit=lambda *_: None, disarm=lambda: "", leave=lambda: "its guard goes on",
        energised=False,
    )  # fmt: skip
    session = run.session()
    session.open("a").energise(24.0)
    run.kit.supply.broken = "no answer"
    session.let_go_after(LinkError("x"))
    assert session.left_to_guard
    assert session.untidy == ["its guard goes on"]
    run.kit.supply.broken = ""
    run.kit.parts.guard.energised = False
    session.open("b")
    assert not session.left_to_guard
    session.close()
    assert not session.left_to_guard
