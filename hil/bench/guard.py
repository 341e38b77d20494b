"""The run's side of the guard process that switches the supply off if the run dies.

    guard = Guard.start(GuardSettings(resource=..., identity=...))
    guard.await_armed()                 # before output-on
    guard.beat()                        # at least every `stuck_after` s while energised
    if why := guard.lost(): ...         # the guard itself has gone, or has acted
    guard.disarm()                      # or, where the supply could not be proven off:
    guard.leave()                       # it goes on trying to switch off

Only a bench in wall-clock time needs one. A simulated bench in this process dies with the process.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from hil.core.errors import BenchError, InstrumentError
from hil.ports.clock import WallClock

PROGRAM = Path(__file__).with_name("guard_process.py")
#: The run says that it lives this often; the guard waits for `PATIENCE` s. The death of the run is
#: seen at once: this only concerns a frozen one, and must not mistake a busy machine for it.
BEAT, PATIENCE = 0.1, 1.2
#: What it did is known to the run so long after it was done, s.
WORD = 0.3
#: A guard that is left behind may be trying already, and says so late that it has heard of it, s;
#: for so long a run waits whether it succeeds at once; and it may take so long to end by itself
#: when the supply has been proven off.
HEARD, LEAVING, RETIRING = 6.0, 1.5, 3.0

#: VISA resource -> the guard that was left behind to switch that supply off.
_left: dict[str, Guard] = {}

_now = WallClock().now


class GuardLost(InstrumentError):
    """The guard process has gone, cannot reach the supply, or has switched it off itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuardSettings:
    """What a guard needs.

    Parameters
    ----------
    resource : VISA resource of the supply; identity : what it answers to ``*IDN?``, "" for any.
    session : ``own``: the guard holds a session of its own from the start, checked once a second.
        ``takeover``: for a supply that allows one session only; the guard opens it when the run has
        gone. It then cannot prove beforehand that it will reach the supply, and a run that stands
        still without dying is ended (SIGKILL) to free the session.
    stuck_after : s without `Guard.beat` while energised after which the run counts as stuck.
    log : file to which the guard writes what it did and when.
    record : record of the run, to which a guard that acts after the run's death adds a note.
    off : commands that switch the output off; state : query of its state; gap : s that the supply
        needs between two messages.
    hold : open files (the lease of the rig) that shall stay held until the guard ends.
    """

    resource: str
    identity: str = ""
    session: Literal["own", "takeover"] = "own"
    stuck_after: float = 1.6
    log: Path | None = None
    record: Path | None = None
    off: tuple[str, ...] = ("OUTP OFF",)
    state: str = "OUTP?"
    gap: float = 0.0
    hold: tuple[int, ...] = ()


class Guard:
    """A running guard process; see the module text."""

    def __init__(self, settings: GuardSettings, process: subprocess.Popen[str]) -> None:
        self.settings, self._process = settings, process
        self._lock = threading.Lock()
        self._armed, self._disarmed = threading.Event(), threading.Event()
        self._ended, self._heard = threading.Event(), threading.Event()
        self._trouble = ""
        #: Whether the supply may be on; only then must `beat` be called.
        self.energised = False
        self._beaten = _now()
        self._threads = [
            threading.Thread(target=self._hear, name="guard answers", daemon=True),
            threading.Thread(target=self._keep_beating, name="guard heartbeat", daemon=True),
        ]

    @classmethod
    def start(cls, settings: GuardSettings) -> Guard:
        """Start the process; it is armed a little later, see `await_armed`.

        Whoever opens a supply proves first that it is off: a guard that was left behind to do so
        ends here.

        Raises
        ------
        BenchError
            If no process can be started.
        """
        if (left := _left.pop(settings.resource, None)) is not None:
            left._retire()
        facts = {
            "resource": settings.resource,
            "identity": settings.identity,
            "session": settings.session,
            "patience": PATIENCE,
            "off": list(settings.off),
            "state": settings.state,
            "gap": settings.gap,
            "log": str(settings.log.resolve()) if settings.log else "",
            "record": str(settings.record.resolve()) if settings.record else "",
            "run": os.getpid(),
        }
        try:
            # -P: the folder of the program must not hide modules of the same names
            process = subprocess.Popen(
                [sys.executable, "-P", str(PROGRAM), json.dumps(facts)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
                start_new_session=True,  # Ctrl-C and a closed terminal concern the run only
                pass_fds=settings.hold if os.name == "posix" else (),
            )
        except OSError as error:
            raise BenchError(f"the guard process cannot be started: {error}") from error
        guard = cls(settings, process)
        for thread in guard._threads:
            thread.start()
        return guard

    @property
    def pid(self) -> int:
        """Process id of the guard."""
        return self._process.pid

    # -- from the guard --------------------------------------------------------------------

    def _hear(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            word, _, text = line.strip().partition(" ")
            if word == "armed":
                self._armed.set()
            elif word == "disarmed":
                self._disarmed.set()
            elif word == "left":
                self._heard.set()
            elif word == "off":
                self._trouble = self._trouble or f"the guard switched off: {text}"
            elif word == "unable":
                self._trouble = self._trouble or text
        self._process.wait()
        self._ended.set()
        self._heard.set()

    def await_armed(self, within: float = 5.0) -> None:
        """Wait until the guard can do its work.

        Raises
        ------
        GuardLost
            If it cannot, or does not say so within `within` s.
        """
        end = _now() + within
        while not self._armed.wait(0.02):
            if self._ended.is_set() or self._trouble or _now() > end:
                raise GuardLost(
                    f"the guard of the supply is not armed: "
                    f"{self._trouble or self._how_it_ended() or f'no answer within {within:g} s'}"
                )

    def lost(self) -> str:
        """Why the bench is not guarded any more, or "" while it is; quick."""
        if self._trouble:
            return self._trouble
        if self._ended.is_set() and not self._disarmed.is_set():
            return f"the guard process {self._how_it_ended()}: nothing would switch the supply off"
        return ""

    def acted(self, within: float = WORD) -> str:
        """What it says that it did to the supply unasked, or what became of it; or "".

        Waits up to `within` s for a word that is on its way: of a run that stood still the guard
        knew first.
        """
        end = _now() + within
        while not self._trouble and not self._ended.is_set() and _now() < end:
            self._ended.wait(0.01)
        return self.lost()

    def _how_it_ended(self) -> str:
        code = self._process.poll()
        if code is None:
            return ""
        return f"was killed by signal {-code}" if code < 0 else f"ended with code {code}"

    # -- to the guard ----------------------------------------------------------------------

    def _send(self, line: str) -> None:
        stream = self._process.stdin
        assert stream is not None
        with self._lock, contextlib.suppress(OSError, ValueError):  # `lost` says that it has gone
            stream.write(" ".join(line.split()) + "\n")
            stream.flush()

    def _keep_beating(self) -> None:
        stuck = False
        while not self._ended.wait(BEAT):
            idle = _now() - self._beaten
            if self.energised and idle > self.settings.stuck_after:
                if not stuck and self.settings.session == "own":
                    self._send(f"stuck the run has stood still for {idle:.2f} s with the supply on")
                stuck = True  # a guard without a session acts when it hears nothing any more
                if self.settings.session == "own":
                    self._send(".")
            else:
                stuck = False
                self._send(".")

    def beat(self) -> None:
        """Say that the run moves on."""
        self._beaten = _now()

    def limit(self, seconds: float | None, why: str = "") -> None:
        """If the run ends `seconds` from now or later, `why` is the cause; None: forget that."""
        self._send(f"limit {seconds or 0.0:.3f} {why if seconds is not None else ''}")

    def demand(self, why: str) -> None:
        """Have the guard switch off over its own session at once; does not wait for it."""
        if self.settings.session == "own":
            self._send(f"off {why}")

    def disarm(self) -> str:
        """End the guard in order, after the supply was switched off; what went wrong, or ""."""
        self.energised = False
        trouble = ""
        if not self._ended.is_set():
            self._send("disarm")
            if not self._ended.wait(3.0):
                self._process.kill()  # it hangs; the supply is off already
                trouble = "the guard process did not end by itself and was killed"
        self._hang_up()
        self._join()
        return trouble

    def leave(self) -> str:
        """Have it go on switching off what the run could not prove off; what came of it.

        It ends when the supply confirms that it is off, or after ten minutes, whatever becomes of
        this process meanwhile. What it does is told beside the folder that its log is in.
        """
        self.energised = False
        if self._ended.is_set():
            self._hang_up()
            self._join()
            return f"the guard process {self._how_it_ended()}: nothing switches the supply off"
        self._send("leave the run could not prove that the supply is off")
        self._heard.wait(HEARD)
        self._trouble = ""
        self._hang_up()
        if self._ended.wait(LEAVING):
            self._join()
            return self._trouble or f"the guard process {self._how_it_ended()}"
        _left[self.settings.resource] = self
        return f"its guard (process {self.pid}) goes on trying to switch the supply off"

    def _retire(self) -> None:
        """End one that was left behind: the supply is off by now."""
        if not self._ended.wait(RETIRING):
            self._process.kill()
        self._join()

    def _hang_up(self) -> None:
        stream = self._process.stdin
        with self._lock, contextlib.suppress(OSError):
            if stream is not None:
                stream.close()

    def _join(self) -> None:
        for thread in self._threads:
            thread.join(timeout=2.0)
        if self._process.stdout is not None:
            self._process.stdout.close()
