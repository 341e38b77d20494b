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
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any, TypeVar

from hil.core.errors import HilError, InstrumentError, InstrumentTimeout
from hil.core.record import Identity
from hil.core.trace import FloatArray
from hil.drivers.scpi_numbers import parse_number, parse_numbers
from hil.ports.clock import Clock

#: Errors read from one queue at most: a queue that never empties is itself a fault.
MOST_ERRORS = 64

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScpiConfig:
    """Where an instrument is and what to expect of it.

    Parameters
    ----------
    role : supply, tachometer, brake, switch; named in messages and in the identity.
    expect : text that the answer to ``*IDN?`` must contain, "" for any.
    timeout : s for one answer. open_timeout : s for the connection.
    command_gap : s of clock time the instrument needs between two messages.
    """

    resource: str
    role: str
    expect: str = ""
    timeout: float = 2.0
    open_timeout: float = 5.0
    command_gap: float = 0.0
    calibration_due: str = ""


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


def _send_at_once(resource: Any) -> None:
    """Ask for small messages to be sent at once, where the back end can do so.

    A command followed by a query otherwise waits for the delayed acknowledgement of the command:
    44 ms measured over PyVISA-py on Linux, 0.02 ms with this.
    """
    from pyvisa.constants import ResourceAttribute

    try:
        resource.set_visa_attribute(ResourceAttribute.tcpip_nodelay, True)
    except Exception:
        # PyVISA-py 0.8 can tell this attribute but not set it; its socket can
        with suppress(Exception):
            link = resource.visalib.sessions[resource.session].interface
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class ScpiSession:
    """One open instrument; not for use by two threads at once."""

    def __init__(self, manager: Any, config: ScpiConfig, clock: Clock) -> None:
        self._manager, self._config, self._clock = manager, config, clock
        self._resource: Any = None
        self._closed = False
        self._stale = False  # a late answer may still come: the next answer cannot be trusted
        self._last = -math.inf
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
            session._connect()
            session.identity = session._ask_identity()
            session.errors_at_open = session.drain_errors()
        except BaseException:
            session.close()
            raise
        return session

    @property
    def name(self) -> str:
        """Role and resource, for messages."""
        return f"{self._config.role} at {self._config.resource}"

    # ------------------------------------------------------------------ messages

    def write(self, command: str) -> None:
        """Send a command without an answer. InstrumentError if the connection fails."""
        self._run(command, lambda resource: resource.write(command))

    def query(self, command: str) -> str:
        """Send a query and return its answer without blanks around it.

        Raises
        ------
        InstrumentTimeout
            If no answer comes in time. InstrumentError if it is blank or the connection fails.
        """
        answer: str = self._run(command, lambda resource: str(resource.query(command))).strip()
        if not answer:
            raise self._unexpected(command, answer, "something")
        return answer

    def _unexpected(self, command: str, answer: str, expected: str) -> InstrumentError:
        """An answer of the wrong kind may belong to an earlier query: nothing after it is sure."""
        self._stale = True
        return InstrumentError(
            f"{self.name}: {command!r} answered {answer[:80]!r}, expected {expected}"
        )

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

    def query_numbers(self, command: str) -> FloatArray:
        """Comma separated numbers, shape (n,), NaN where the instrument says 'no value'."""
        text = self.query(command)
        try:
            return parse_numbers(text)
        except ValueError as error:
            raise self._unexpected(command, text, f"numbers ({error})") from error

    def query_flag(self, command: str) -> bool:
        """A 0 or 1. InstrumentError if it is anything else."""
        text = self.query(command)
        if text.upper() in ("0", "+0", "OFF"):
            return False
        if text.upper() in ("1", "+1", "ON"):
            return True
        raise self._unexpected(command, text, "0 or 1")

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """Empty the error queue, oldest first. InstrumentError if it never ends."""
        found: list[QueueEntry] = []
        while len(found) < MOST_ERRORS:
            text = self.query("SYST:ERR?")
            try:
                entry = parse_queue_entry(text)
            except ValueError as error:
                raise self._unexpected("SYST:ERR?", text, '<code>,"<text>"') from error
            if entry.code == 0:
                return tuple(found)
            found.append(entry)
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
        self._closed = True
        self._disconnect()

    # ------------------------------------------------------------------ connection

    def _connect(self) -> None:
        config = self._config
        with self._converted("cannot be opened"):
            resource = self._manager.open_resource(
                config.resource, open_timeout=int(config.open_timeout * 1000)
            )
            self._resource = resource
            resource.timeout = int(config.timeout * 1000)
            if self._is_stream:
                resource.read_termination = resource.write_termination = "\n"
                _send_at_once(resource)
            else:
                # USBTMC, HiSLIP, VXI-11 and GPIB mark the end of a message themselves
                resource.write_termination = "\n"

    @property
    def _is_stream(self) -> bool:
        """Whether only a termination character tells where an answer ends."""
        name = self._config.resource.upper()
        return name.endswith("::SOCKET") or name.startswith("ASRL")

    def _disconnect(self) -> None:
        resource, self._resource = self._resource, None
        if resource is not None:
            with suppress(Exception):  # the peer may be gone; there is nothing left to release
                resource.close()

    def _ask_identity(self) -> Identity:
        config = self._config
        text = self._query_now("*IDN?")
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

    def _query_now(self, command: str) -> str:
        """A query without recovery, for use inside of opening and recovery."""
        self._wait_gap()
        with self._converted(f"no answer to {command!r}"):
            answer = str(self._resource.query(command)).strip()
        if not answer:
            raise InstrumentError(f"{self.name}: blank answer to {command!r}")
        return answer

    def _wait_gap(self) -> None:
        gap = self._config.command_gap
        if gap > 0.0:
            rest = self._last + gap - self._clock.now()
            if rest > 0.0:
                self._clock.sleep(rest)
            self._last = self._clock.now()

    def _run(self, command: str, action: Callable[[Any], Value]) -> Value:
        if self._closed:
            raise InstrumentError(f"{self.name}: {command!r} after closing")
        if self._stale:
            self._recover(command)
        self._wait_gap()
        try:
            with self._converted(f"{command!r} failed"):
                return action(self._resource)
        except InstrumentError:
            self._stale = True
            raise

    def _recover(self, command: str) -> None:
        """Make the connection trustworthy again after a failure: clear, then reopen, then give up.

        A step counts only if the instrument then answers to ``*IDN?`` as it did on opening: the
        late answer to an earlier query would not.
        """
        tried: list[str] = []
        # On a plain socket there is no device clear; closing it drops what is still under way.
        steps: list[tuple[str, Callable[[], None]]] = [("reopening", self._reopen)]
        if not self._is_stream and self._resource is not None:
            steps.insert(0, ("device clear", self._resource.clear))
        cause: InstrumentError | None = None
        for name, step in steps:
            try:
                with self._converted(f"{name} failed"):
                    step()
                self._verify_identity()
            except InstrumentError as error:
                tried.append(f"{name}: {error}")
                cause = error
            else:
                self._stale = False
                return
        raise InstrumentError(
            f"{self.name}: not usable for {command!r} after an earlier failure ({'; '.join(tried)})"
        ) from cause

    def _verify_identity(self) -> None:
        found = self._ask_identity()
        if found != self.identity:
            raise InstrumentError(
                f"{self.name}: now {found} answers, before it was {self.identity}"
            )

    def _reopen(self) -> None:
        self._disconnect()
        self._connect()

    @contextmanager
    def _converted(self, what: str) -> Iterator[None]:
        """Turn library errors into `InstrumentError` and keep the cause.

        All of `Exception` is caught because VISA back ends raise it bare.
        """
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError

        try:
            yield
        except HilError:
            raise
        except Exception as error:
            if isinstance(error, VisaIOError) and error.error_code == StatusCode.error_timeout:
                raise InstrumentTimeout(
                    f"{self.name}: {what}: nothing within {self._config.timeout:g} s"
                ) from error
            raise InstrumentError(f"{self.name}: {what}: {error}") from error
