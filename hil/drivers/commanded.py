"""The commands of a board in words of its link profile, whatever carries them."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Any, Self

import numpy as np

from hil.core.errors import (
    CommandRefused,
    FirmwareError,
    HilError,
    LinkError,
    LinkTimeout,
    ProfileMisfit,
)
from hil.core.record import Identity
from hil.drivers.codec import Message
from hil.drivers.serial_port import ByteLog, BytePort, SerialBoardConfig, open_port
from hil.ports.clock import Clock


class CommandedBoard(ABC):
    """Turns the methods of `hil.ports.board.Board` into named commands on a serial port.

    Use `open`; the constructor takes a port already open.
    """

    def __init__(
        self, port: Any, config: SerialBoardConfig, clock: Clock, log: ByteLog | None = None
    ) -> None:
        self._url, self._description = config.url, config.description
        self._config, self._clock = config, clock
        self._port = BytePort(port, config.url, clock, log)
        self._answered: set[str] = set()  # what has been answered since opening
        self.turnaround = math.nan  # see `hil.ports.board.Timed`

    @classmethod
    def open(cls, config: SerialBoardConfig, clock: Clock, log: ByteLog | None = None) -> Self:
        """Open the port. LinkError if it is missing, busy or refuses its settings."""
        port = open_port(config)
        try:
            return cls(port, config, clock, log)
        except BaseException:
            port.close()
            raise

    def close(self) -> None:
        """Release the port; a second call does nothing."""
        self._port.close()

    @abstractmethod
    def _command(self, command: str, **arguments: float | str) -> None:
        """Send a command and wait until it is acknowledged; `CommandRefused` if it is not."""

    def _note_turnaround(self, asked: float, size: int) -> None:
        """An answer is there to what was asked at `asked`; `size` bytes both together."""
        taken = self._clock.now() - asked - self._description.on_line(size)
        # Over USB the line is as fast as it likes, whatever baud rate it was told.
        self.turnaround = float(np.fmin(self.turnaround, max(taken, 0.0)))

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
        if "select-sensing" in self._description.commands:
            self._command("select-sensing", sensing=sensing)
        elif sensing != self._description.sensing:
            raise LinkError(
                f"board on {self._url}: sensing {sensing!r} cannot be selected, link profile "
                f"{self._description.name} says it is always {self._description.sensing!r}"
            )

    def _no_answer(
        self,
        what: str,
        waited: float,
        heard: str,
        *,
        garbled: bool,
        unmatched: str = "",
        hint: str = "",
    ) -> HilError:
        """Nobody answered `what` within `waited` s.

        Parameters
        ----------
        heard : what arrived instead, and where to look on a real link.
        garbled : something arrived meanwhile, and nothing of it decodes.
        unmatched : what arrived whole and is none of the messages of the profile, in words.
        hint : what of the profile may be why, in words.
        """
        said = f"no answer to {what!r} within {waited:g} s; "
        firmware, port = self._config.firmware, self._port
        if not firmware:
            return LinkTimeout(f"board on {self._url}: {said}{heard}{hint}{unmatched}")
        back = f"sent {port.received or 'none'}"
        back += "; what came since it was asked does not decode" if garbled else ""
        # What was answered before stands in the profile as the firmware has it.
        kind = FirmwareError if what in self._answered and not unmatched else ProfileMisfit
        return kind(
            f"{firmware}: {said}its serial port received {port.sent} bytes and {back}{hint}"
            f"{unmatched}. No cable is in between on a simulated board: firmware drops without a "
            "word what it cannot check, so hold framing, checksum and keys of link profile "
            f"{self._description.name} against it"
        )

    def _identity(self, answer: Message) -> Identity:
        roles = answer.roles
        cause = roles.get("reset-cause", "")
        #: Why the board last started, as it states it; "" where it does not.
        self.reset_cause = f"{cause:g}" if isinstance(cause, float) else str(cause)
        return Identity(
            role="board",
            model=_text(roles.get("model", "")),
            serial=_text(roles.get("serial", "")),
            revision=_text(roles.get("revision", "")),
            resource=self._url,
        )

    def _refusal(
        self, command: str, code: float | str | None, arguments: dict[str, float | str]
    ) -> CommandRefused:
        reason = "no reason given"
        if isinstance(code, float):
            reason = self._description.refusals.get(int(code), f"unknown reason {code:g}")
        elif code is not None:
            reason = code
        asked = " ".join((command, *(f"{value}" for value in arguments.values())))
        return CommandRefused(f"board on {self._url} refused {asked!r}: {reason}")


def _text(value: float | str) -> str:
    """A serial number is a number to the wire and a name to people."""
    return value if isinstance(value, str) else f"{value:.15g}"
