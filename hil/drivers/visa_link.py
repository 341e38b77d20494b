"""A VISA resource that stays trustworthy: opened by transport, errors converted, recovered.

`hil.drivers.scpi` speaks SCPI over it. After any failure the next use first makes sure that no late
answer can be taken for a new one.
"""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, TypeVar

from hil.core.errors import HilError, InstrumentError, InstrumentTimeout
from hil.drivers.visa_calls import Overdue
from hil.drivers.visa_sharing import wire_to
from hil.ports.clock import Clock

Value = TypeVar("Value")

#: A call that has come back neither after so many of the time limits that the library was given nor
#: after so many s more is one that hangs: a query is a write and a read, each with its limit.
LIMITS, GRACE = 2.0, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ScpiConfig:
    """Where an instrument is and what to expect of it.

    Parameters
    ----------
    role : supply, tachometer, brake, switch; named in messages and in the identity.
    expect : text that the answer to ``*IDN?`` must contain, "" for any.
    timeout : s for one answer. open_timeout : s for the connection.
    command_gap : s of clock time the instrument needs between two messages.
    error_query : reads one entry of the error queue; "" for an instrument without one.
    """

    resource: str
    role: str
    expect: str = ""
    timeout: float = 2.0
    open_timeout: float = 5.0
    command_gap: float = 0.0
    error_query: str = "SYST:ERR?"
    calibration_due: str = ""


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


class VisaLink:
    """One connection to one instrument; not for use by two threads at once.

    Parameters
    ----------
    prove : asks the instrument who it is, by `ask`, and raises `InstrumentError` if that is not
        who answered on opening; recovery counts only if it succeeds.
    """

    def __init__(
        self, manager: Any, config: ScpiConfig, clock: Clock, prove: Callable[[], None]
    ) -> None:
        self._manager, self._config, self._clock, self._prove = manager, config, clock, prove
        self._wire = wire_to(manager, config.resource)
        self._wire.gap = max(self._wire.gap, config.command_gap)
        self._closed = self._joined = False

    @property
    def name(self) -> str:
        """Role and resource, for messages."""
        return f"{self._config.role} at {self._config.resource}"

    def connect(self) -> None:
        """Open the resource with the terminations of its transport, unless another link has."""
        config, wire = self._config, self._wire
        if not self._joined:
            self._joined = True
            wire.users += 1
        if wire.resource is not None and not wire.stale:
            return
        self._disconnect()
        with self._converted("cannot be opened"):
            wire.open(self.name, self._opened, LIMITS * config.open_timeout + GRACE)
            wire.timeout = config.timeout

    def _opened(self) -> Any:
        """The resource, opened and set."""
        config = self._config
        resource = self._manager.open_resource(
            config.resource, open_timeout=int(config.open_timeout * 1000)
        )
        try:
            resource.timeout = int(config.timeout * 1000)
            if self._is_stream:
                resource.read_termination = resource.write_termination = "\n"
                _send_at_once(resource)
            else:
                # USBTMC, HiSLIP, VXI-11 and GPIB mark the end of a message themselves
                resource.write_termination = "\n"
        except BaseException:
            resource.close()
            raise
        return resource

    @property
    def _is_stream(self) -> bool:
        """Whether only a termination character tells where an answer ends."""
        name = self._config.resource.upper()
        return name.endswith("::SOCKET") or name.startswith("ASRL")

    def close(self) -> None:
        """Release the resource, if no other link is on it; a second call does nothing."""
        self._closed = True
        if self._joined:
            self._joined = False
            self._wire.users -= 1
            if not self._wire.users:
                self._disconnect()

    def distrust(self) -> None:
        """Say that an answer was not of the kind expected: it may belong to an earlier query."""
        self._wire.stale = True

    @property
    def in_doubt(self) -> bool:
        """Whether the next use begins with recovery."""
        return self._wire.stale

    def _disconnect(self) -> None:
        with suppress(Exception):  # the peer may be gone; there is nothing left to release
            self._wire.close(self._longest)

    @property
    def _longest(self) -> float:
        """s after which a call counts as one that hangs."""
        return LIMITS * self._config.timeout + GRACE

    def ask(self, command: str) -> str:
        """A query without recovery, for use inside of opening and recovery."""
        self._prepare()
        with self._converted(f"no answer to {command!r}"):
            answer = self._wire.call(lambda r: str(r.query(command)), self._longest).strip()
        if not answer:
            raise InstrumentError(f"{self.name}: blank answer to {command!r}")
        return answer

    def run(self, command: str, action: Callable[[Any], Value], parts: float = 1.0) -> Value:
        """Do `action` on the resource, after recovery if it is needed.

        Parameters
        ----------
        parts : how many times as long as one query it may take.

        Raises
        ------
        InstrumentError
            With the cause, also when recovery gives up.
        """
        if self._closed:
            raise InstrumentError(f"{self.name}: {command!r} after closing")
        wire = self._wire
        if wire.stale:
            self._recover(command)
        self._prepare()
        try:
            return wire.call(action, parts * self._longest)
        except BaseException as error:
            # also an interrupt: between question and answer it leaves the answer behind
            wire.stale = True
            if isinstance(error, HilError) or not isinstance(error, Exception):
                raise
            raise self._as_ours(error, f"{command!r} failed") from error

    def write_unproven(self, command: str) -> None:
        """Send a command to whoever is there, recovery or not; nobody knows whether it arrived.

        For switching off alone: an instrument that does not answer may still obey. It is given the
        time that it needs between two messages, as what follows is, or it would hear neither.
        """
        with suppress(Exception):  # a wait or a setting that fails must not keep it from being sent
            self._prepare()
        with suppress(InstrumentError), self._converted(f"{command!r} failed"):
            if self._wire.resource is not None:
                self._wire.call(lambda resource: resource.write(command), self._longest)

    def _prepare(self) -> None:
        """Wait until the instrument can take another message, and for as long as this link does."""
        wire = self._wire
        if wire.gap > 0.0:
            rest = wire.last + wire.gap - self._clock.now()
            if rest > 0.0:
                self._clock.sleep(rest)
            wire.last = self._clock.now()
        if wire.timeout != self._config.timeout and wire.resource is not None:
            wire.timeout = self._config.timeout
            limit = int(wire.timeout * 1000)
            with self._converted("the time limit cannot be set"):
                wire.call(lambda resource: setattr(resource, "timeout", limit), self._longest)

    def _recover(self, command: str) -> None:
        """Make the connection trustworthy again after a failure: clear, then reopen, then give up.

        A step counts only if the instrument then answers to ``*IDN?`` as it did on opening: the
        late answer to an earlier query would not.
        """
        tried: list[str] = []
        # On a plain socket there is no device clear; closing it drops what is still under way.
        steps: list[tuple[str, Callable[[], None]]] = [("reopening", self._reopen)]
        if not self._is_stream and self._wire.resource is not None:
            steps.insert(0, ("device clear", self._clear))
        cause: InstrumentError | None = None
        for name, step in steps:
            try:
                with self._converted(f"{name} failed"):
                    step()
                self._prove()
            except InstrumentError as error:
                tried.append(f"{name}: {error}")
                cause = error
            else:
                self._wire.stale = False
                return
        raise InstrumentError(
            f"{self.name}: not usable for {command!r} after an earlier failure ({'; '.join(tried)})"
        ) from cause

    def _clear(self) -> None:
        self._wire.call(lambda resource: resource.clear(), self._longest)

    def _reopen(self) -> None:
        self._disconnect()
        self.connect()

    @contextmanager
    def _converted(self, what: str) -> Iterator[None]:
        """Turn library errors into `InstrumentError` and keep the cause.

        All of `Exception` is caught because VISA back ends raise it bare.
        """
        try:
            yield
        except HilError:
            raise
        except Exception as error:
            raise self._as_ours(error, what) from error

    def _as_ours(self, error: Exception, what: str) -> InstrumentError:
        """What an error of the library means here."""
        from pyvisa.constants import StatusCode
        from pyvisa.errors import VisaIOError

        if isinstance(error, VisaIOError) and error.error_code == StatusCode.error_timeout:
            return InstrumentTimeout(
                f"{self.name}: {what}: nothing within {self._config.timeout:g} s"
            )
        kind = InstrumentTimeout if isinstance(error, Overdue) else InstrumentError
        return kind(f"{self.name}: {what}: {error}")
