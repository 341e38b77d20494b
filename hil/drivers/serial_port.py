"""The port below a board: opened as a URL, never waiting, every library error converted.

`log` is called as ``log("rx" or "tx", host_time, data)`` with every byte in both directions.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import serial

from hil.core.errors import HilError, LinkError, LinkTimeout
from hil.drivers.port_select import refuse_unless_there
from hil.ports.clock import Clock
from hil.ports.link import LinkDescription

ByteLog = Callable[[str, float, bytes], None]

#: Bytes taken at one look at the port, so that a babbling board cannot keep a reader for ever.
MOST_AT_ONCE = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialBoardConfig:
    """Where the board is and how it talks.

    Parameters
    ----------
    url : device path or pyserial URL.
    dtr, rts : state of the control lines from the moment of opening (many boards reset on DTR);
        None leaves them as the serial library sets them.
    write_timeout : s after which a write that does not drain is an error.
    poll_interval : s of clock time between looks at the port while waiting for an answer.
    firmware : name of the firmware on a simulated board, where neither cable nor power can be at
        fault: what is silent there is the firmware. "" for any other board.
    """

    url: str
    description: LinkDescription
    dtr: bool | None = None
    rts: bool | None = None
    write_timeout: float = 1.0
    poll_interval: float = 0.002
    firmware: str = ""


def open_port(config: SerialBoardConfig) -> Any:
    """The opened port. LinkError if it is missing, busy or refuses its settings."""
    if config.url.startswith("/"):  # a path: what it lacks the library says at great length
        refuse_unless_there(config.url)
    with converted(f"board port {config.url}: cannot be opened"):
        port = serial.serial_for_url(config.url, do_not_open=True)
        port.baudrate = config.description.baud
        port.timeout = 0
        port.write_timeout = config.write_timeout
        if os.name == "posix" and "://" not in config.url:
            port.exclusive = True
        if config.dtr is not None:
            port.dtr = config.dtr
        if config.rts is not None:
            port.rts = config.rts
        port.open()
        return port


class BytePort:
    """Reads and writes an open port, and logs."""

    def __init__(self, port: Any, url: str, clock: Clock, log: ByteLog | None) -> None:
        self._port, self._url, self._clock, self._log = port, url, clock, log
        self.sent = self.received = 0  # bytes so far

    def read(self) -> tuple[float, bytes]:
        """What has arrived and when that was seen; never waits."""
        with converted(f"board on {self._url}: reading failed, is it unplugged?"):
            waiting = self._port.in_waiting
            data = self._port.read(waiting) if waiting else b""
            if waiting == 1 and data:
                # some ports only say that there is something
                parts, count = [data], 1
                while count < MOST_AT_ONCE and (more := self._port.read(self._port.in_waiting)):
                    parts.append(more)
                    count += len(more)
                data = b"".join(parts)
        now = self._clock.now()
        self.received += len(data)
        if data and self._log is not None:
            self._log("rx", now, data)
        return now, data

    def write(self, what: str, data: bytes) -> None:
        """Send; `what` names it in errors."""
        with converted(f"board on {self._url}: sending {what!r} failed"):
            self._port.write(data)
        self.sent += len(data)
        if self._log is not None:
            self._log("tx", self._clock.now(), data)

    def close(self) -> None:
        """Release the port; a second call does nothing."""
        with suppress(*LIBRARY_ERRORS):  # the port may be gone, and there is nothing left to save
            self._port.close()


def _library_errors() -> tuple[type[Exception], ...]:
    found: list[type[Exception]] = [serial.SerialException, OSError, ValueError, TypeError]
    try:
        import termios

        found.append(termios.error)
    except ImportError:  # not a POSIX system
        pass
    return tuple(found)


#: What pyserial and the system below it are known to raise. TypeError: a port that was closed.
LIBRARY_ERRORS = _library_errors()


@contextmanager
def converted(what: str) -> Iterator[None]:
    """Turn library errors into `LinkError` and keep the cause."""
    try:
        yield
    except HilError:
        raise
    except serial.SerialTimeoutException as error:
        raise LinkTimeout(f"{what}: the port does not take the data ({error})") from error
    except LIBRARY_ERRORS as error:
        raise LinkError(f"{what}: {error}") from error
