"""Calls into a library that may never come back, made on a thread of their own.

    owner = Owner("supply")
    owner.call(lambda: resource.query("*IDN?"), within=5.0)     # Overdue after 5 s
    owner.end(resource.close)                                   # once it comes back, if ever

A VISA library that hangs in its driver, or on a wedged device, ignores its own time limits and
holds whoever called it. That must not be the run, which has a bench to make safe.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Any, TypeVar

from hil.ports.clock import WallClock

Value = TypeVar("Value")

#: How long the thread of a session that ends in order is waited for, s.
ENDING = 1.0

_now = WallClock().now


class Overdue(Exception):
    """A call has not come back for `waited` s; nobody waits for it any more."""

    def __init__(self, waited: float) -> None:
        super().__init__(
            f"the VISA library has not come back from this call for {waited:.3g} s: the library, "
            "its driver or the port hangs; the connection is given up"
        )
        self.waited = waited


class _Call:
    """One call, and what came of it."""

    def __init__(self, work: Callable[[], Any], begun: float, due: float) -> None:
        self._work: Callable[[], Any] | None = work
        self._taking = threading.Lock()
        self.begun, self.due = begun, due
        self.done = threading.Event()
        self.value: Any = None
        self.error: BaseException | None = None

    def make(self) -> None:
        """Make it, unless it was cancelled."""
        work = self._take()
        try:
            if work is not None:
                self.value = work()
        except BaseException as error:  # raised where it was asked for
            self.error = error
        self.done.set()

    def cancel(self) -> None:
        """Not to be made any more, if it has not begun: a command must not go out late."""
        self._take()

    def _take(self) -> Callable[[], Any] | None:
        with self._taking:
            work, self._work = self._work, None
        return work


class Owner:
    """The thread that makes all calls of one session, one after the other."""

    def __init__(self, name: str) -> None:
        self._calls: queue.SimpleQueue[_Call | None] = queue.SimpleQueue()
        self._last: _Call | None = None
        # Python does not wait at its end for a daemon: one that hangs must not hold the process.
        self._thread = threading.Thread(target=self._make, name=f"calls of {name}", daemon=True)
        self._thread.start()

    def _make(self) -> None:
        while (call := self._calls.get()) is not None:
            call.make()
            del call  # and with it what it has hold of, for as long as there is no other

    @property
    def hangs_for(self) -> float:
        """For how many s the last call has not come back; 0 once it has."""
        last = self._last
        return 0.0 if last is None or last.done.is_set() else _now() - last.begun

    def call(self, work: Callable[[], Value], within: float) -> Value:
        """What `work` returns or raises.

        A call before it that an interrupt let go of is first given the time that it still has.

        Raises
        ------
        Overdue
            If it has not come back `within` s.
        """
        now = begun = _now()
        if self._last is not None and not self._last.done.is_set():
            now = max(now, self._last.due)
        call = self._last = _Call(work, begun, now + within)
        self._calls.put(call)
        if not call.done.wait(call.due - begun):
            call.cancel()
            raise Overdue(_now() - begun)
        try:
            if call.error is not None:
                raise call.error
            value: Value = call.value
            return value
        finally:
            del call  # an error holds this frame, which must not hold the error

    def end(self, last: Callable[[], object] | None = None) -> None:
        """No more calls. `last` is the very last one; nobody waits for what becomes of it."""
        hangs = self.hangs_for > 0.0
        if last is not None:
            self._calls.put(_Call(last, _now(), _now()))
        self._calls.put(None)
        if not hangs:
            self._thread.join(ENDING)


def call_once(name: str, work: Callable[[], Value], within: float) -> Value:
    """One call on a thread that is made for it; `Overdue` if it has not come back `within` s."""
    owner = Owner(name)
    try:
        return owner.call(work, within)
    finally:
        owner.end()
