"""Connections to a supply with as little as possible loaded; for `hil.bench.guard_process`."""

from __future__ import annotations

import contextlib
import re
import socket
import time
from collections.abc import Callable
from typing import Any, Protocol

#: Longest time for one answer while the supply is being switched off, and for connecting, s.
ANSWER, CONNECT = 0.4, 1.0
#: What a call of the VISA library may take beyond what it was told, s.
GRACE = 0.5

SOCKET = re.compile(r"TCPIP\d*::([^:\[\]]+|\[[^\]]+\])::(\d+)::SOCKET", re.IGNORECASE)


class Session(Protocol):
    """A connection to the supply."""

    def send(self, command: str) -> None:
        """Send a command."""

    def ask(self, command: str) -> str:
        """Send a query and return its answer without blanks around it."""

    def close(self) -> None:
        """Release the connection."""


class SocketSession:
    """SCPI over a TCP socket, with the standard library alone."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host.strip("[]"), port), timeout=CONNECT)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, command: str) -> None:
        """Send a command."""
        self._socket.settimeout(ANSWER)
        self._socket.sendall(command.encode("ascii") + b"\n")

    def ask(self, command: str) -> str:
        """Send a query; what was left of earlier answers is thrown away first."""
        self._socket.settimeout(0.0)
        with contextlib.suppress(BlockingIOError):
            while self._socket.recv(65536):
                pass
        self.send(command)
        answer = b""
        end = time.monotonic() + ANSWER
        while not answer.endswith(b"\n"):
            self._socket.settimeout(max(0.001, end - time.monotonic()))
            data = self._socket.recv(65536)
            if not data:
                raise ConnectionResetError("the supply closed the connection")
            answer += data
        return answer.decode("latin-1").strip()

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()


class VisaSession:
    """Any other resource, through PyVISA-py; a call that does not come back is given up."""

    def __init__(self, resource: str) -> None:
        import pyvisa

        from hil.drivers.visa_sharing import Wire

        manager: Any = pyvisa.ResourceManager("@py")

        def opening() -> Any:
            opened = manager.open_resource(resource, open_timeout=int(CONNECT * 1000))
            opened.timeout = int(ANSWER * 1000)
            opened.write_termination = "\n"
            if resource.upper().startswith("ASRL"):
                opened.read_termination = "\n"
            return opened

        # The manager is one for the whole process: closing it would close the other session, too.
        self._wire = Wire(bounded=True)
        self._wire.open(resource, opening, 2.0 * CONNECT + GRACE)

    def _call(self, action: Callable[[Any], Any]) -> Any:
        if self._wire.resource is None:
            raise ConnectionError("the connection was given up")
        return self._wire.call(action, 2.0 * ANSWER + GRACE)

    def send(self, command: str) -> None:
        """Send a command."""
        self._call(lambda resource: resource.write(command))

    def ask(self, command: str) -> str:
        """Send a query."""
        return str(self._call(lambda resource: resource.query(command))).strip()

    def close(self) -> None:
        """Close the resource."""
        self._wire.close(ANSWER + GRACE)


def parts(identity: str) -> list[str]:
    """The four parts of an answer to ``*IDN?``, blanks around them taken away."""
    found = [part.strip() for part in identity.split(",", 3)]
    return found + [""] * (4 - len(found))


def connect(resource: str) -> Session:
    """Open the supply."""
    found = SOCKET.fullmatch(resource)
    return SocketSession(found[1], int(found[2])) if found else VisaSession(resource)
