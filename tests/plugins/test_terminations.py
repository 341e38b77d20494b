"""Requests to end, in this process; in mid-scenario, with a real supply: `test_signals.py`."""

from __future__ import annotations

import os
import signal
import threading

import pytest

from hil.plugins.terminations import TERMINATIONS, Terminations

NUMBERS = [getattr(signal, name) for name in TERMINATIONS if hasattr(signal, name)]


@pytest.fixture
def former():
    """Handlers of the test's own, so that a signal that gets through ends nothing."""
    seen: list[int] = []
    before = {n: signal.signal(n, lambda number, _frame: seen.append(number)) for n in NUMBERS}
    yield seen
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_request_is_an_interrupt_that_names_it_and_a_second_one_nothing(former, number) -> None:
    caught = Terminations()
    with pytest.raises(KeyboardInterrupt, match=f"signal {signal.Signals(number).name}"):
        os.kill(os.getpid(), number)
    for again in NUMBERS:
        os.kill(os.getpid(), again)
    assert former == []
    caught.pytest_unconfigure()
    os.kill(os.getpid(), number)
    assert former == [number]


@pytest.mark.usefixtures("former")
def test_what_is_ignored_stays_so() -> None:
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    caught = Terminations()
    assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    caught.pytest_unconfigure()
    assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN


def test_only_the_main_thread_can_catch_them(former) -> None:
    there = []
    thread = threading.Thread(target=lambda: there.append(Terminations()))
    thread.start()
    thread.join()
    os.kill(os.getpid(), signal.SIGTERM)
    assert former == [signal.SIGTERM]
    there[0].pytest_unconfigure()
