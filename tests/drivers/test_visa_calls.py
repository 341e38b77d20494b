"""Calls that never come back: given up in time, told as what they are, let go of when they do."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

import hil.drivers.visa_link
from hil.core.errors import InstrumentError, InstrumentTimeout
from hil.drivers.scpi import ScpiConfig, ScpiSession
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.drivers.visa_calls import Overdue, Owner, call_once
from hil.drivers.visa_sharing import Sharing
from hil.ports.clock import WallClock

SHORT = 0.05  # s, for what is not to come back
LONG = 20.0  # s, for what is
MARGIN = 0.4  # s, in which a busy machine makes a call that does not hang


@pytest.fixture
def hang() -> Iterator[threading.Event]:
    """What waits for it hangs until the end of the test, and has ended after it."""
    event = threading.Event()
    before = set(threading.enumerate())
    yield event
    event.set()
    for thread in set(threading.enumerate()) - before:
        thread.join(LONG)


# -- the thread ---------------------------------------------------------------------------


def fail() -> None:
    raise ZeroDivisionError("as asked")


@given(st.lists(st.integers()))
def test_calls_are_made_in_order_on_one_thread_that_is_not_the_callers(numbers) -> None:
    owner, threads = Owner("pump"), set()

    def work(number: int) -> int:
        threads.add(threading.current_thread())
        return number

    assert [owner.call(lambda n=n: work(n), LONG) for n in numbers] == numbers
    owner.end()
    assert len(threads) == (1 if numbers else 0)
    assert threading.main_thread() not in threads
    assert not any(thread.is_alive() for thread in threads)


def test_what_a_call_raises_is_raised_here_and_the_next_one_is_made() -> None:
    owner = Owner("pump")
    with pytest.raises(ZeroDivisionError, match="as asked"):
        owner.call(fail, LONG)
    assert owner.call(lambda: 5, LONG) == 5
    owner.end()


def test_one_that_hangs_is_overdue_and_what_is_queued_behind_it_is_never_made(hang) -> None:
    owner, made = Owner("pump"), []
    with pytest.raises(Overdue, match=r"has not come back from this call for 0\.\d+ s: "):
        owner.call(hang.wait, SHORT)
    assert owner.hangs_for >= SHORT
    with pytest.raises(Overdue):  # a command must not go out when nobody expects it any more
        owner.call(lambda: made.append("late"), SHORT)
    ended = threading.Event()
    owner.end(lambda: made.append("closed") or ended.set())
    hang.set()
    assert ended.wait(LONG)
    assert made == ["closed"]


def test_an_interrupted_call_keeps_the_time_that_it_had(hang, monkeypatch) -> None:
    owner, begun = Owner("pump"), threading.Event()
    with monkeypatch.context() as patch:
        interrupt_waiting(patch, begun.is_set)
        with pytest.raises(KeyboardInterrupt):
            owner.call(lambda: begun.set() or hang.wait(), LONG)
    waiting = threading.Timer(2.0 * SHORT, hang.set)
    waiting.start()
    assert owner.call(lambda: "next", SHORT) == "next"  # though the first one took longer
    owner.end()
    waiting.join()


def test_a_single_call(hang) -> None:
    assert call_once("VISA", lambda: 7, LONG) == 7
    with pytest.raises(Overdue):
        call_once("VISA", hang.wait, SHORT)


# -- instruments --------------------------------------------------------------------------


class Resource:
    """One session of the stand-in for a library."""

    def __init__(self, library: Library) -> None:
        self._library = library
        self.timeout = 0
        self.closed = threading.Event()

    def _reach(self, what: str) -> None:
        self._library.calls.append((what, threading.current_thread()))
        if what in self._library.hanging:
            self._library.hang.wait()

    def query(self, command: str) -> str:
        self._reach(command)
        return {"*IDN?": "GREENHOUSE BENCH,HANGING,1,1.0", "SYST:ERR?": '0,""', "OUTP?": "0"}.get(
            command, "24.0"
        )

    def write(self, command: str) -> None:
        self._reach(command)

    def clear(self) -> None:
        self._reach("clear")

    def close(self) -> None:
        self._reach("close")
        self.closed.set()


class Library:
    """A resource manager of which any call may hang."""

    def __init__(self, hang: threading.Event) -> None:
        self.hang = hang
        self.hanging: set[str] = set()
        self.made: list[Resource] = []
        self.calls: list[tuple[str, threading.Thread]] = []

    def open_resource(self, _name: str, **_: int) -> Resource:
        resource = Resource(self)
        self.made.append(resource)
        resource._reach("open")
        return resource


@pytest.fixture
def library(hang, monkeypatch) -> Library:
    monkeypatch.setattr(hil.drivers.visa_link, "GRACE", MARGIN)
    return Library(hang)


CONFIG = ScpiConfig(
    resource="USB0::0x1209::0x0001::7::INSTR", role="supply", timeout=0.01, open_timeout=0.01
)


@pytest.fixture
def session(library) -> Iterator[ScpiSession]:
    opened = ScpiSession.open(Sharing(library, bounded=True), CONFIG, WallClock())
    yield opened
    opened.close()


def test_a_query_that_hangs_is_told_with_instrument_command_and_time(library, session) -> None:
    library.hanging.add("MEAS:VOLT?")
    with pytest.raises(InstrumentTimeout) as caught:
        session.query("MEAS:VOLT?")
    text = str(caught.value)
    assert text.startswith(
        "supply at USB0::0x1209::0x0001::7::INSTR: 'MEAS:VOLT?' failed: the VISA"
    )
    assert re.search(r"has not come back from this call for 0\.\d+ s: ", text)
    assert session.in_doubt


def test_the_next_use_opens_another_session_and_the_old_one_is_closed_late(
    library, session, hang
) -> None:
    library.hanging.add("MEAS:VOLT?")
    with pytest.raises(InstrumentTimeout):
        session.query("MEAS:VOLT?")
    assert session.query("VOLT?") == "24.0"
    first, second = library.made
    assert not first.closed.is_set()
    hang.set()
    assert first.closed.wait(LONG)
    assert not second.closed.is_set()
    by = {thread for what, thread in library.calls if what not in ("close", "clear")}
    assert len(by) == 2  # each session has its own thread
    assert threading.main_thread() not in by


def test_opening_that_hangs_is_told_and_not_tried_again_while_it_does(library, hang) -> None:
    library.hanging.add("open")
    shared = Sharing(library, bounded=True)
    for _ in range(2):
        with pytest.raises(InstrumentTimeout, match="cannot be opened: the VISA library has not"):
            ScpiSession.open(shared, CONFIG, WallClock())
    assert len(library.made) == 1
    library.hanging.clear()
    hang.set()
    assert library.made[0].closed.wait(LONG)  # nobody wants it any more
    ScpiSession.open(shared, CONFIG, WallClock()).close()
    assert len(library.made) == 2


@pytest.mark.parametrize("what", ["clear", "*IDN?"])
def test_recovery_that_hangs_goes_on_by_reopening(library, session, what: str) -> None:
    library.hanging.add("OUTP?")
    with pytest.raises(InstrumentTimeout):
        session.query("OUTP?")
    library.hanging.clear()
    session.query("OUTP?")
    session.distrust()
    library.hanging.add(what)
    if what == "clear":
        assert session.query("OUTP?") == "0"
    else:
        with pytest.raises(InstrumentError, match=r"reopening: .* no answer to '\*IDN\?'"):
            session.query("OUTP?")


def test_closing_that_hangs_holds_nobody(library, session) -> None:
    library.hanging.add("close")
    session.close()
    assert not library.made[0].closed.is_set()


def test_a_supply_whose_library_hangs_is_still_told_to_switch_off(library) -> None:
    supply = ScpiSupply.open(SupplyConfig(scpi=CONFIG), WallClock(), Sharing(library, bounded=True))
    library.hanging.add("MEAS:VOLT?;:MEAS:CURR?")
    supply._both = "MEAS:VOLT?;:MEAS:CURR?"
    with pytest.raises(InstrumentTimeout):
        supply.measure()
    library.calls.clear()
    supply.switch_off()
    assert [what for what, _ in library.calls] == ["open", "*IDN?", "OUTP OFF", "OUTP?"]
    supply.close()


def test_a_simulated_bench_is_called_directly(library) -> None:
    session = ScpiSession.open(Sharing(library, bounded=False), CONFIG, WallClock())
    session.query("VOLT?")
    session.close()
    assert {thread for _, thread in library.calls} == {threading.current_thread()}


def interrupt_waiting(patch: pytest.MonkeyPatch, once: Callable[[], bool]) -> None:
    """Ctrl-C comes to whoever waits for a call to come back, `once` that is so."""
    wait = threading.Event.wait

    def interrupted(event: threading.Event, timeout: float | None = None) -> bool:
        if timeout is None:  # another wait than for a call
            return wait(event)
        while not once():
            wait(event, 0.001)
        raise KeyboardInterrupt

    patch.setattr(threading.Event, "wait", interrupted)


def test_an_interrupt_while_opening_leaves_nothing_open(library, hang, monkeypatch) -> None:
    library.hanging.add("open")
    with monkeypatch.context() as patch:
        interrupt_waiting(patch, lambda: bool(library.made))
        with pytest.raises(KeyboardInterrupt):
            ScpiSession.open(Sharing(library, bounded=True), CONFIG, WallClock())
    hang.set()
    assert library.made[0].closed.wait(LONG)


def test_an_interrupted_query_is_waited_for_before_the_next_message(library, session) -> None:
    with pytest.MonkeyPatch.context() as patch:
        interrupt_waiting(patch, lambda: library.calls[-1][0] == "VOLT?")
        with pytest.raises(KeyboardInterrupt):
            session.query("VOLT?")
    assert session.in_doubt
    assert session.query("OUTP?") == "0"
    assert [what for what, _ in library.calls][-3:] == ["clear", "*IDN?", "OUTP?"]
