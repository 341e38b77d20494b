"""Switches the supply off when the run that drives the bench dies or stands still.

A program of its own, started by `hil.bench.guard`. It begins in a few hundredths of a second,
because it needs the standard library alone where the supply is a TCP socket; for other VISA
resources it loads PyVISA. Its own settings come as one JSON argument, lines on standard input say
how the run is:

    .               the run is well
    limit S TEXT    if the run ends in S seconds or later, TEXT is why
    off TEXT        switch off now, for this reason
    stuck TEXT      the same, since the run itself cannot
    leave TEXT      the run lets go of a supply that it could not prove off, and goes on without
                    it: nothing comes into its folder any more, the log goes on beside that
    disarm          the run has switched off in order; the guard ends

The end of the input without ``disarm`` means that the run, or what it had of the bench, is gone.
Lines on standard output answer: ``armed TEXT``, ``done TEXT`` (switched off as asked), ``off TEXT``
(switched off unasked), ``unable TEXT``, ``left``, ``disarmed``. What was done and when goes into a
log.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import sys
import threading
import time
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import Any

if __package__ in (None, ""):  # started by its path, perhaps from a bare checkout
    sys.path.append(str(Path(__file__).resolve().parents[2]))

from hil.bench.guard_sessions import SOCKET, Session, connect, parts

#: Pause between two attempts, s; for how long they go on when the run has gone, and else.
PAUSE, PERSIST, PERSIST_BESIDE = 0.1, 600.0, 3.0
#: The guard's own session is tried this often, s.
PROBE = 1.0
#: Longest wait for the log at the end, when the supply is off already, s.
LOGGED = 5.0


class _Log:
    """Lines with their time, written by a thread of its own.

    A full disk or one that stalls must neither delay nor end the guard.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        # A simple queue may be added to by a signal handler at any instant.
        self._lines: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._writer = threading.Thread(target=self._write, daemon=True)
        self._writer.start()

    def add(self, text: str) -> None:
        """Keep a line; returns at once."""
        utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        self._lines.put(f"{utc} {' '.join(text.split())}\n".encode())

    def close(self) -> None:
        """Wait a while for what was added to be on the disk."""
        self._lines.put(None)
        self._writer.join(LOGGED)

    def beside(self) -> _Log:
        """Close this one; another, beside the folder that it is in, under the name of both."""
        self.close()
        path = self._path
        return _Log(path and path.parent.with_name(f"{path.parent.name}.{path.name}"))

    def _write(self) -> None:
        while (line := self._lines.get()) is not None:
            if self._path is None:
                continue
            with contextlib.suppress(OSError), self._path.open("ab") as log:
                log.write(line)
                log.flush()
                os.fsync(log.fileno())


class Guard:
    """The guard of one supply.

    Parameters
    ----------
    settings : ``resource``; ``identity``, the text that the supply answers to ``*IDN?``;
        ``session``: ``own`` to hold a session from the start, ``takeover`` for a supply that
        allows one session only: then one is opened when the run has gone; ``patience``: s without
        a line after which the run counts as standing still; ``off``: commands; ``state``: query;
        ``gap``: s between messages; ``log``: file; ``record``: record of the run, to which a note
        is added; ``run``: process id.
    """

    def __init__(self, settings: dict[str, Any]) -> None:
        self._settings = settings
        self._own = settings["session"] == "own"
        self._session: Session | None = None
        #: Held while `_session` is used: a look at the supply must not delay switching it off.
        self._busy = threading.Lock()
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._log = _Log(Path(settings["log"]) if settings["log"] else None)
        self._limit: tuple[float, str] | None = None
        self._left = ""

    # -- talking ---------------------------------------------------------------------------

    def _listen(self) -> None:
        for line in sys.stdin:
            self._lines.put(line.rstrip("\n"))
        self._lines.put(None)

    @staticmethod
    def _say(text: str) -> None:
        with contextlib.suppress(OSError, ValueError):  # the run may be gone
            print(" ".join(text.split()), flush=True)

    def _note(self, text: str) -> None:
        self._log.add(text)

    def _record(self, text: str) -> None:
        """Add a note to the record of a run that can no longer do so itself."""
        file = Path(self._settings["record"]) if self._settings["record"] else None
        if file is None:
            return
        utc = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        entry = {"kind": "note", "utc": utc, "text": text, "item": "", "level": "error"}
        with contextlib.suppress(OSError), file.open("r+b") as record:
            record.seek(0, os.SEEK_END)
            if record.tell() == 0:
                return
            record.seek(-1, os.SEEK_END)
            if record.read(1) == b"\n":  # else the last line was cut: nothing may follow it
                record.write(json.dumps(entry).encode("ascii") + b"\n")
                record.flush()
                os.fsync(record.fileno())

    # -- the supply ------------------------------------------------------------------------

    def _open(self) -> Session:
        if self._session is None:
            self._session = connect(self._settings["resource"])
        return self._session

    def _drop(self) -> None:
        session, self._session = self._session, None
        if session is not None:
            with contextlib.suppress(Exception):
                session.close()

    def _attempt(self) -> str:
        """Switch off once; "" if the supply confirms it, else what went wrong."""
        if not self._busy.acquire(timeout=0.02):
            return self._attempt_over(None)
        try:
            trouble = self._attempt_over(self._session)
            if trouble:
                self._drop()
            return trouble
        finally:
            self._busy.release()

    def _attempt_over(self, session: Session | None) -> str:
        """As `_attempt`, over a session that is open, or over a new one."""
        try:
            used = session if session is not None else connect(self._settings["resource"])
            try:
                for command in self._settings["off"]:
                    used.send(command)
                    time.sleep(self._settings.get("gap", 0.0))
                answer = used.ask(self._settings["state"])
            finally:
                if used is not session:
                    used.close()
        except Exception as error:  # back ends raise anything, and the next attempt must come
            return f"{type(error).__name__}: {error}"
        off = answer.lstrip("+").upper() in ("0", "OFF")
        return "" if off else f"the output reads back {answer!r}"

    def switch_off(
        self, why: str, *, gone: bool = False, stuck: bool = False, answer: str = "off"
    ) -> None:
        """Switch off and go on trying until the supply confirms it.

        `gone`: the run has ended. `stuck`: it stands still, and is ended if it is in the way.
        """
        begun = time.monotonic()
        self._note(f"switching off: {why}")
        attempts, trouble = 0, ""
        while time.monotonic() - begun < (PERSIST if gone else PERSIST_BESIDE):
            attempts += 1
            trouble = self._attempt()
            took = time.monotonic() - begun
            if not trouble:
                text = f"supply off, read back off {took:.3f} s after: {why}"
                if gone:
                    self._record(f"guard: {text}")
                self._note(text if attempts == 1 else f"{text} ({attempts} attempts)")
                self._say(f"{answer} {text}")
                return
            if attempts == 1:
                self._note(f"first attempt failed: {trouble}")
            if stuck and not self._own and took > 2.0 * PAUSE:
                self._end_run()
            time.sleep(PAUSE)
        text = f"supply NOT proven off after {attempts} attempts: {trouble} ({why})"
        self._note(text)
        self._say(f"unable {text}")
        if gone:
            self._record(f"guard: {text}")

    def _end_run(self) -> None:
        """End a run that stands still and holds the only session that the supply allows."""
        run = self._settings["run"]
        if os.getppid() == run:  # a process id is used again; a parent is not
            self._note(f"the run (process {run}) holds the only session and is ended")
            os.kill(run, signal.SIGKILL)

    def _keep_looking(self) -> None:
        """Make sure from time to time that the guard's own session still works."""
        while True:
            time.sleep(PROBE)
            with self._busy:
                if self._works():
                    continue
                self._drop()
                if not self._works():
                    self._drop()
                    self._say("unable the guard cannot reach the supply any more")

    def _works(self) -> bool:
        try:
            self._open().ask(self._settings["state"])
        except Exception:  # as above
            return False
        return True

    def _verify(self, found: str) -> None:
        expected = self._settings["identity"]
        if expected and parts(found) != parts(expected):
            raise ValueError(f"it answers as {found!r}, not {expected!r}")

    def _arm(self) -> bool:
        settings = self._settings
        try:
            if not self._own:
                if not SOCKET.fullmatch(settings["resource"]):
                    import_module("pyvisa_py")  # now, not when seconds count
                found = "opens the supply only when the run has gone"
            else:
                found = self._open().ask("*IDN?")
                self._verify(found)
        except Exception as error:
            self._note(f"not armed: {error}")
            self._say(f"unable {type(error).__name__}: {error}")
            return False
        self._note(
            f"process {os.getpid()} armed for process {settings['run']}: "
            f"{settings['resource']} {found}"
        )
        self._say(f"armed {found}")
        return True

    # -- life ------------------------------------------------------------------------------

    def run(self) -> None:
        """Until disarmed, or until the run has gone and the supply is off."""
        try:
            self._watch()
        finally:
            self._log.close()
            with contextlib.suppress(Exception):
                if self._session is not None and not self._busy.locked():
                    self._session.close()

    def close_log(self) -> None:
        """Wait a while for the log to be on the disk."""
        self._log.close()

    def _watch(self) -> None:
        threading.Thread(target=self._listen, daemon=True).start()
        if not self._arm():
            return
        if self._own:
            threading.Thread(target=self._keep_looking, daemon=True).start()
        patience = float(self._settings["patience"])
        heard = time.monotonic()
        standing = False
        while True:
            try:
                line = self._lines.get(timeout=patience / 4.0)
            except queue.Empty:
                line = ""
            now = time.monotonic()
            if line is None:
                self.switch_off(self._gone(now), gone=True)
                return
            if line == "disarm":
                self._note("disarmed")
                self._say("disarmed")
                return
            if line:
                heard, standing = now, False
                self._obey(line, now)
            elif now - heard > patience and not standing:
                standing = True
                self.switch_off(f"no sign of life from the run for {now - heard:.2f} s", stuck=True)

    def _obey(self, line: str, now: float) -> None:
        word, _, rest = line.partition(" ")
        if word == "off":
            self.switch_off(rest, answer="done")
        elif word == "stuck":
            self.switch_off(rest)
        elif word == "limit":
            seconds, _, text = rest.partition(" ")
            self._limit = (now + float(seconds), text) if text else None
        elif word == "leave":
            # The run goes on writing its record, or seals it: nothing may come in between.
            self._left, self._settings["record"] = rest, ""
            self._log = self._log.beside()
            self._say("left")

    def _gone(self, now: float) -> str:
        if self._left:
            return self._left
        text = f"the run (process {self._settings['run']}) ended without disarming its guard"
        if self._limit is not None and now >= self._limit[0] - 0.05:
            return f"{self._limit[1]}: {text}"
        return text


def main() -> None:
    """Guard until disarmed; signals of the terminal do not concern it."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    guard = Guard(json.loads(sys.argv[1]))

    def asked_to_end(*_: object) -> None:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        guard.switch_off("the guard was asked to end")
        guard.close_log()
        os._exit(1)

    signal.signal(signal.SIGTERM, asked_to_end)
    guard.run()
    # A VISA library that hangs would do so at the end of the process again, and hold the lease.
    os._exit(0)


if __name__ == "__main__":
    main()
