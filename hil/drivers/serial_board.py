"""A board on a serial port, spoken to as its link profile says.

    config = SerialBoardConfig(url="/dev/ttyACM0", description=description)
    board = SerialBoard.open(config, clock, log=None)      # implements hil.ports.board.Board

`log` is called as ``log("rx" or "tx", host_time, data)`` with every byte in both directions.
Anything pyserial can open as a URL will do. Call `read` at least every 100 ms while telemetry
streams: the operating system keeps a few kilobytes at most.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
import serial

from hil.core.errors import CommandRefused, HilError, LinkError, LinkTimeout
from hil.core.record import Identity
from hil.drivers.codec import Codec, Message
from hil.drivers.framing.base import make_framing
from hil.ports.board import BoardReadings
from hil.ports.clock import Clock
from hil.ports.link import LinkDescription
from hil.ports.registry import Descriptor

ByteLog = Callable[[str, float, bytes], None]

#: Texts about bad data kept between two reads; further ones are counted.
MOST_BAD = 100


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
    """

    url: str
    description: LinkDescription
    dtr: bool | None = None
    rts: bool | None = None
    write_timeout: float = 1.0
    poll_interval: float = 0.002


class SerialBoard:
    """See `hil.ports.board.Board`. Use `open`; the constructor takes a port already open."""

    def __init__(
        self, port: Any, config: SerialBoardConfig, clock: Clock, log: ByteLog | None = None
    ) -> None:
        self._port, self._config, self._clock, self._log = port, config, clock, log
        self._description = config.description
        try:
            self._framing = make_framing(self._description.framing)
            self._codec = Codec(self._description)
        except (ValueError, KeyError) as error:
            raise LinkError(f"link profile {self._description.name}: {error}") from error
        self._telemetry: list[bytes] = []
        self._arrivals: list[tuple[float, int]] = []  # host time, number of frames
        self._messages: list[Message] = []
        self._bad: list[str] = []
        self._bad_dropped = 0
        self._bytes = self._decoded = self._rejected = 0  # since the last command was sent
        self._known = False  # whether the board has identified itself since opening

    @classmethod
    def open(
        cls, config: SerialBoardConfig, clock: Clock, log: ByteLog | None = None
    ) -> SerialBoard:
        """Open the port. LinkError if it is missing, busy or refuses its settings."""
        with _converted(f"board port {config.url}: cannot be opened"):
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
        try:
            return cls(port, config, clock, log)
        except BaseException:
            port.close()
            raise

    # ------------------------------------------------------------------ commands

    def identify(self) -> Identity:
        """Ask who is there, with the retries of the profile.

        What arrived before the first answer since opening does not count as bad data: opening may
        have cut a frame in two.
        """
        attempts = 1 + self._description.retries
        for attempt in range(attempts):
            try:
                answer = self._ask("identify", ("identity",))
                break
            except LinkTimeout:
                if attempt + 1 == attempts:
                    raise
        if not self._known:
            self._known = True
            self._bad.clear()
            self._bad_dropped = 0
        roles = answer.roles
        return Identity(
            role="board",
            model=str(roles.get("model", "")),
            serial=str(roles.get("serial", "")),
            revision=str(roles.get("revision", "")),
            resource=self._config.url,
        )

    def start(self, speed: float) -> None:
        """Start towards a signed speed in rpm, clockwise positive; returns when acknowledged."""
        self._command("start", speed=speed)

    def set_speed(self, speed: float) -> None:
        """New signed set point in rpm; a change of sign asks for a reversal."""
        self._command("set-speed", speed=speed)

    def stop(self) -> None:
        """Ask for an orderly stop."""
        self._command("stop")

    def clear(self) -> None:
        """Clear latched faults."""
        self._command("clear")

    def select_sensing(self, sensing: str) -> None:
        """``hall`` or ``back-emf``; only while idle."""
        self._command("select-sensing", sensing=sensing)

    def stream(self, on: bool) -> None:
        """Switch streaming telemetry on (at the rate of the profile) or off."""
        self._command("stream", rate=self._description.telemetry_rate if on else 0.0)
        if on:
            self._codec.continuity.restart()

    def _command(self, command: str, **arguments: float | str) -> None:
        answer = self._ask(command, ("done", "refused"), **arguments)
        if answer.name == "refused":
            code = answer.roles.get("code")
            reason = "no reason given"
            if isinstance(code, float):
                reason = self._description.refusals.get(int(code), f"unknown reason {code:g}")
            elif code is not None:
                reason = code
            asked = " ".join((command, *(f"{value}" for value in arguments.values())))
            raise CommandRefused(f"board on {self._config.url} refused {asked!r}: {reason}")

    def _ask(self, command: str, answers: tuple[str, ...], **arguments: float | str) -> Message:
        """Send a command and wait for one of `answers` that belongs to it."""
        try:
            data = self._framing.encode(self._codec.encode(command, **arguments))
        except ValueError as error:
            raise LinkError(f"board on {self._config.url}: cannot send {error}") from error
        self._pump()
        self._messages.clear()  # a late answer to an earlier command must not count for this one
        self._bytes = self._decoded = self._rejected = 0
        deadline = self._clock.now() + self._description.reply_timeout
        self._send(command, data)
        while True:
            self._pump()
            for message in self._messages:
                ours = "command" not in message.roles or message.command == command
                if message.name in answers and ours:
                    self._messages.clear()
                    return message
            self._messages.clear()
            if self._clock.now() >= deadline:
                raise LinkTimeout(self._silence(command))
            self._clock.sleep(self._config.poll_interval)

    def _silence(self, command: str) -> str:
        waited = f"{self._description.reply_timeout:g} s"
        text = f"board on {self._config.url}: no answer to {command!r} within {waited}; "
        if not self._bytes:
            return text + "nothing arrived: is it powered, and is this its port?"
        if not self._decoded:
            return text + (
                f"{self._bytes} bytes arrived but no frame decodes: baud rate "
                f"({self._description.baud}) or profile ({self._description.name})?"
            )
        return text + (
            f"{self._bytes} bytes arrived: {self._decoded} frames of telemetry or other messages, "
            f"{self._rejected} pieces that did not decode"
        )

    # ------------------------------------------------------------------ bytes

    def _send(self, command: str, data: bytes) -> None:
        with _converted(f"board on {self._config.url}: sending {command!r} failed"):
            self._port.write(data)
        if self._log is not None:
            self._log("tx", self._clock.now(), data)

    def _pump(self) -> None:
        """Take what has arrived; never waits."""
        with _converted(f"board on {self._config.url}: reading failed, is it unplugged?"):
            waiting = self._port.in_waiting
            data = self._port.read(waiting) if waiting else b""
        if not data:
            return
        now = self._clock.now()
        if self._log is not None:
            self._log("rx", now, data)
        self._bytes += len(data)
        cut = self._framing.feed(data)
        if cut.frames:
            found = self._codec.sort(cut.frames)
            if found.telemetry:
                self._telemetry += found.telemetry
                self._arrivals.append((now, len(found.telemetry)))
            self._messages += found.messages
            self._decoded += len(cut.frames) - len(found.bad)
            cut.rejects.extend(found.bad)
        if cut.rejects:
            self._rejected += len(cut.rejects)
            self._note_bad([str(reject) for reject in cut.rejects])

    def _note_bad(self, texts: list[str]) -> None:
        room = max(0, MOST_BAD - len(self._bad))
        self._bad += texts[:room]
        self._bad_dropped += len(texts) - len(texts[:room])

    def read(self) -> BoardReadings:
        """Everything that arrived since the last call; never blocks, never raises on bad bytes.

        Raises
        ------
        LinkError
            If the port itself fails, e.g. because the adapter was unplugged.
        """
        self._pump()
        frames, arrivals = self._telemetry, self._arrivals
        self._telemetry, self._arrivals = [], []
        batch = self._codec.telemetry(frames)
        counts = np.array([count for _, count in arrivals], dtype=np.intp)
        host_time = np.repeat(np.array([at for at, _ in arrivals], dtype=np.float64), counts)
        if batch.bad:
            self._note_bad(batch.bad)
            host_time = host_time[batch.good]
        bad, self._bad = self._bad, []
        if self._bad_dropped:
            bad.append(f"{self._bad_dropped} further pieces of bad data")
            self._bad_dropped = 0
        return BoardReadings(
            host_time=host_time,
            board_time=batch.board_time,
            values=batch.values,
            lost=batch.lost,
            bad=tuple(bad),
        )

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
def _converted(what: str) -> Iterator[None]:
    """Turn library errors into `LinkError` and keep the cause."""
    try:
        yield
    except HilError:
        raise
    except serial.SerialTimeoutException as error:
        raise LinkTimeout(f"{what}: the port does not take the data ({error})") from error
    except LIBRARY_ERRORS as error:
        raise LinkError(f"{what}: {error}") from error


DESCRIPTOR = Descriptor(
    name="serial",
    port="board",
    driver=SerialBoard,
    config=SerialBoardConfig,
    open=SerialBoard.open,
    capabilities=frozenset({"lines", "cobs", "raw-log"}),
)
