"""A VISA instrument that speaks SCPI.

    session = ScpiSession.open(manager, ScpiConfig(resource=..., role="supply"), clock)
    session.identity                    # answer to *IDN?, split
    session.checked_write("VOLT 24")    # then reads the error queue; InstrumentError if not empty
    session.query_number("MEAS:VOLT?")

`manager` is a `pyvisa.ResourceManager`; the caller owns it, one per process.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any

import numpy as np

from hil.core.errors import InstrumentError
from hil.core.record import Identity
from hil.core.trace import FloatArray
from hil.drivers.scpi_block import ask_block_or_text
from hil.drivers.scpi_numbers import parse_number, parse_numbers, parse_pattern, special
from hil.drivers.visa_link import ScpiConfig, VisaLink
from hil.ports.clock import Clock

__all__ = ["QueueEntry", "ScpiConfig", "ScpiSession", "needs_visa", "parse_queue_entry"]

#: A block comes in pieces, each with the time limit of an answer; so many queries it may take.
BLOCK = 4.0
#: Errors read from one queue at most: a queue that never empties is itself a fault.
MOST_ERRORS = 64


@dataclass(frozen=True, slots=True)
class QueueEntry:
    """One entry of the error queue, SCPI-1999 vol. 2, 21.8."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


def parse_queue_entry(text: str) -> QueueEntry:
    """Read ``<code>,"<text>"``; a sign and missing quotes are tolerated.

    Raises
    ------
    ValueError
        If there is no code.
    """
    found = re.fullmatch(r"\s*([+-]?\d+)\s*(?:,\s*(.*?))?\s*", text, flags=re.DOTALL)
    if found is None:
        raise ValueError(f"{text!r} is not an entry of an error queue")
    words = found[2] or ""
    if len(words) > 1 and words[0] == words[-1] and words[0] in "\"'":
        words = words[1:-1].replace('""', '"')
    return QueueEntry(int(found[1]), words)


def needs_visa() -> str:
    """For `Descriptor.probe`: "" if VISA can be used on this computer, else the reason."""
    return "" if find_spec("pyvisa") else "the package pyvisa is not installed"


class ScpiSession:
    """One open instrument; not for use by two threads at once."""

    def __init__(self, manager: Any, config: ScpiConfig, clock: Clock) -> None:
        self._config = config
        self._link = VisaLink(manager, config, clock, self._verify_identity)
        self.identity = Identity(role=config.role, resource=config.resource)
        self.errors_at_open: tuple[QueueEntry, ...] = ()

    @classmethod
    def open(cls, manager: Any, config: ScpiConfig, clock: Clock) -> ScpiSession:
        """Connect, ask for the identity and empty the error queue.

        Raises
        ------
        InstrumentError
            If the instrument is not reachable or is another than expected.
        """
        session = cls(manager, config, clock)
        try:
            session._link.connect()
            session.identity = session._ask_identity()
            session.errors_at_open = session.drain_errors()
        except BaseException:
            session.close()
            raise
        return session

    @property
    def name(self) -> str:
        """Role and resource, for messages."""
        return self._link.name

    # ------------------------------------------------------------------ messages

    def write(self, command: str) -> None:
        """Send a command without an answer. InstrumentError if the connection fails."""
        self._link.run(command, lambda resource: resource.write(command))

    @property
    def in_doubt(self) -> bool:
        """Whether something went wrong, so that the next use begins with recovery."""
        return self._link.in_doubt

    def write_unproven(self, command: str) -> None:
        """Send a command that does no harm to whoever is there; see `VisaLink.write_unproven`."""
        self._link.write_unproven(command)

    def query(self, command: str) -> str:
        """Send a query and return its answer without blanks around it.

        Raises
        ------
        InstrumentTimeout
            If no answer comes in time. InstrumentError if it is blank or the connection fails.
        """
        answer: str = self._link.run(command, lambda resource: str(resource.query(command))).strip()
        if not answer:
            raise self._unexpected(command, answer, "something")
        return answer

    def _unexpected(self, command: str, answer: str, expected: str) -> InstrumentError:
        """An answer of the wrong kind may belong to an earlier query: nothing after it is sure."""
        self._link.distrust()
        return InstrumentError(
            f"{self.name}: {command!r} answered {answer[:80]!r}, expected {expected}"
        )

    def distrust(self) -> None:
        """Say that more may be on its way than was asked for: the next use starts afresh."""
        self._link.distrust()

    def query_number(self, command: str) -> float:
        """One finite number. InstrumentError if it is anything else (9.91E37 means 'no value')."""
        text = self.query(command)
        try:
            value = parse_number(text)
        except ValueError as error:
            raise self._unexpected(command, text, "a number") from error
        if not math.isfinite(value):
            raise InstrumentError(f"{self.name}: {command!r} answered {text!r}: no valid reading")
        return value

    def query_each(self, command: str, count: int) -> tuple[float, ...]:
        """Answers to `count` queries in one message, separated by ";" (IEEE 488.2, 8.4.1).

        Raises
        ------
        InstrumentError
            If they are not `count` finite numbers.
        """
        text = self.query(command)
        try:
            values = tuple(map(parse_number, text.split(";")))
        except ValueError as error:
            raise self._unexpected(command, text, f"{count} numbers") from error
        if len(values) != count:
            raise self._unexpected(command, text, f"{count} numbers")
        if not all(map(math.isfinite, values)):
            raise InstrumentError(f"{self.name}: {command!r} answered {text!r}: no valid reading")
        return values

    def query_numbers(self, command: str, nothing: str = "") -> FloatArray:
        """Numbers, shape (n,), NaN where the instrument says 'no value'.

        As text, separated by commas, or as a block of 64-bit numbers: the answer itself tells.
        `nothing` is an answer that stands for no numbers at all.
        """
        answer = self._link.run(
            command, lambda resource: ask_block_or_text(resource, command), parts=BLOCK
        )
        try:
            if not isinstance(answer, str):
                return special(answer)
            if nothing and answer == nothing:
                return np.empty(0)
            return parse_numbers(answer)
        except ValueError as error:
            raise self._unexpected(command, str(answer), f"numbers ({error})") from error

    def query_flag(self, command: str) -> bool:
        """A 0 or 1. InstrumentError if it is anything else."""
        text = self.query(command)
        if text.upper() in ("0", "+0", "OFF"):
            return False
        if text.upper() in ("1", "+1", "ON"):
            return True
        raise self._unexpected(command, text, "0 or 1")

    def query_pattern(self, command: str, width: int) -> int:
        """A whole number of `width` bits. InstrumentError if it is anything else."""
        text = self.query(command)
        try:
            value = parse_pattern(text)
        except ValueError as error:
            raise self._unexpected(command, text, f"a number of {width} bits") from error
        if value >= 1 << width:
            raise self._unexpected(command, text, f"a number of {width} bits")
        return value

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """Empty the error queue, oldest first. InstrumentError if it never ends."""
        found: list[QueueEntry] = []
        query = self._config.error_query
        while query and len(found) < MOST_ERRORS:
            text = self.query(query)
            try:
                entry = parse_queue_entry(text)
            except ValueError as error:
                raise self._unexpected(query, text, '<code>,"<text>"') from error
            if entry.code == 0:
                return tuple(found)
            found.append(entry)
        if not query:
            return ()
        raise InstrumentError(
            f"{self.name}: error queue does not end after {MOST_ERRORS} entries, "
            f"first {found[0]}, last {found[-1]}"
        )

    def checked_write(self, *commands: str) -> None:
        """Send commands, then read the error queue; InstrumentError with its texts if not empty."""
        for command in commands:
            self.write(command)
        errors = self.drain_errors()
        if errors:
            sent = "; ".join(repr(command) for command in commands)
            texts = "; ".join(str(entry) for entry in errors)
            raise InstrumentError(f"{self.name}: {sent} answered by {texts}")

    def close(self) -> None:
        """Release the session; a second call does nothing."""
        self._link.close()

    def _ask_identity(self) -> Identity:
        config = self._config
        text = self._link.ask("*IDN?")
        if config.expect.casefold() not in text.casefold():
            raise InstrumentError(
                f"{self.name}: identifies as {text!r}, expected {config.expect!r} in it"
            )
        maker, model, serial, revision = (
            *(part.strip() for part in text.split(",", 3)),
            "",
            "",
            "",
        )[:4]
        return Identity(
            role=config.role,
            maker=maker,
            model=model,
            serial=serial,
            revision=revision,
            resource=config.resource,
            calibration_due=config.calibration_due,
        )

    def _verify_identity(self) -> None:
        found = self._ask_identity()
        if found != self.identity:
            raise InstrumentError(
                f"{self.name}: now {found} answers, before it was {self.identity}"
            )
