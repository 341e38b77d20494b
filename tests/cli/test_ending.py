"""Signals end a command where it can be ended, once, and not afterwards."""

from __future__ import annotations

import signal
import sys
import threading

import pytest

from hil.cli.ending import ended_at_joints, terminated_as_interrupted

BOTH = (signal.SIGINT, signal.SIGTERM)
WAYS = (ended_at_joints, terminated_as_interrupted)
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs signals")


@pytest.fixture(autouse=True)
def usual():
    """The handlers of a program of its own, whatever the test runner has."""
    before = {number: signal.getsignal(number) for number in BOTH}
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize("number", BOTH)
def test_both_end_what_goes_on(number) -> None:
    with pytest.raises(KeyboardInterrupt), terminated_as_interrupted():
        signal.raise_signal(number)
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.parametrize("number", BOTH)
def test_what_has_joints_ends_at_the_next_one(number) -> None:
    done = []

    def in_pieces() -> None:
        with ended_at_joints() as joint:
            for piece in range(5):
                joint()
                done.append((piece, "begun"))
                if piece == 2:
                    signal.raise_signal(number)
                done.append((piece, "done"))

    with pytest.raises(KeyboardInterrupt):
        in_pieces()
    assert done[-1] == (2, "done")
    assert len(done) == 6


def test_a_signal_ends_once() -> None:
    with ended_at_joints() as joint:
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            joint()
        joint()


@pytest.mark.parametrize("number", BOTH)
def test_a_second_signal_waits_for_no_joint(number) -> None:
    with ended_at_joints():
        signal.raise_signal(signal.SIGTERM)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(number)


def test_a_signal_while_the_first_one_is_obeyed_ends_that_too() -> None:
    with ended_at_joints() as joint:
        signal.raise_signal(signal.SIGTERM)
        with pytest.raises(KeyboardInterrupt):
            joint()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGTERM)


def test_a_signal_after_the_last_joint_finds_nothing_to_end() -> None:
    with ended_at_joints():
        signal.raise_signal(signal.SIGTERM)
    assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL


def test_ctrl_c_stays_ignored_where_it_was() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with terminated_as_interrupted():
        signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN


def test_another_thread_than_the_main_one_changes_no_handler() -> None:
    found = []

    def aside() -> None:
        for way in WAYS:
            with way():
                found.append(signal.getsignal(signal.SIGTERM))

    thread = threading.Thread(target=aside)
    thread.start()
    thread.join()
    assert found == [signal.SIG_DFL] * 2
