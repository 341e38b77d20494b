"""The bench's end of `hil.twin.firmware_server`: one server a process, started when needed."""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

from hil.core.errors import HarnessError
from hil.twin.firmware_server import LINE
from hil.twin.jit import cache_folder

_START = (
    "import json, sys; sys.path[:] = json.loads(sys.argv[2]); "
    "from hil.twin.firmware_server import main; main(int(sys.argv[1]))"
)


class Server:
    """The server process. Everything here may be called from any thread."""

    def __init__(self) -> None:
        self.owner = os.getpid()
        self._lock = threading.Lock()
        self._control, theirs = socket.socketpair()
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _START, str(theirs.fileno()), _paths()],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
                start_new_session=True,  # signals from a terminal are for the bench
            )

    @property
    def alive(self) -> bool:
        """Whether it runs, and was started by this very process rather than inherited by a fork."""
        return self.owner == os.getpid() and self._process.poll() is None

    def new(self, name: str, path: Path, image: Path, descriptors: list[int]) -> int:
        """Fork a board; returns its process number. `name`, if any, stands for the path in errors.

        Raises
        ------
        HarnessError
            If the server does not answer, or runs other code than this process.
        """
        request = {"op": "new", "name": name, "path": str(path), "image": str(image)}
        request["sources"] = cache_folder().name
        answer = self._ask(request, descriptors)
        if "error" in answer:
            raise HarnessError(str(answer["error"]))
        return int(answer["pid"])

    def end(self, pid: int) -> int | None:
        """Kill a board if it still runs; how it ended as `os.waitpid` says it, None if unknown."""
        try:
            return int(self._ask({"op": "end", "pid": pid}, [])["status"])
        except HarnessError:
            return None

    def _ask(self, request: dict[str, Any], descriptors: list[int]) -> dict[str, Any]:
        with self._lock:
            try:
                socket.send_fds(self._control, [json.dumps(request).encode()], descriptors)
                answer = self._control.recv(LINE)
            except OSError as problem:
                raise HarnessError(f"the firmware server is gone: {problem}") from problem
        if not answer:
            raise HarnessError("the firmware server ended unexpectedly")
        found: dict[str, Any] = json.loads(answer)
        return found

    def close(self) -> None:
        """End it and every board that it started."""
        self._control.close()
        if self.owner == os.getpid():
            try:
                self._process.wait(timeout=5.0)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()


_servers: list[Server] = []
_starting = threading.Lock()


def server() -> Server:
    """The server of this process."""
    with _starting:
        for one in tuple(_servers):
            if not one.alive:
                _servers.remove(one)
                one.close()
        if not _servers:
            _servers.append(Server())
        return _servers[0]


@atexit.register
def close_server() -> None:
    """End the server of this process, if there is one; the next board starts another."""
    with _starting:
        while _servers:
            _servers.pop().close()


def _paths() -> str:
    """Where this process finds its modules; the server must run the same code."""
    here = str(Path(__file__).resolve().parents[2])
    return json.dumps([here, *(one for one in sys.path if one and one != here)])


def ended(status: int | None) -> str:
    """How a process ended, in words after its subject: ``crashed with SIGSEGV (...)``."""
    if status is None:
        return "ended, and nobody knows how"
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        name = str(number)
        with contextlib.suppress(ValueError):
            name = signal.Signals(number).name
        return f"crashed with {name} ({(signal.strsignal(number) or 'signal').lower()})"
    return f"ended its process with exit code {os.waitstatus_to_exitcode(status)}"
