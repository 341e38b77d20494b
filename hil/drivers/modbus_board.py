"""A board that speaks Modbus RTU: commands write registers and coils, telemetry is polled.

The Modbus library packs and checks frames; the port, all waiting and the poll plan are the same as
for other boards, so that `read` never blocks and a simulated bench works too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from pymodbus.framer import FramerRTU
from pymodbus.pdu import ModbusPDU

from hil.core.errors import HilError, LinkError
from hil.core.record import Identity
from hil.drivers.codec import arguments_to_raw, read_message
from hil.drivers.commanded import CommandedBoard
from hil.drivers.inbox import Inbox
from hil.drivers.modbus import (
    EXCEPTIONS,
    LONGEST,
    check_message_tables,
    decoder,
    fits,
    read_request,
    values_read,
    write_request,
)
from hil.drivers.polling import Poller
from hil.drivers.serial_port import ByteLog, SerialBoardConfig
from hil.drivers.telemetry import Batch, Conversion
from hil.ports.board import BoardReadings
from hil.ports.clock import Clock


def silent_interval(baud: int) -> float:
    """Seconds of silence before a frame: 3.5 characters of 11 bits, from 19200 baud on 1.75 ms.

    MODBUS over Serial Line V1.02, 2.5.1.1.
    """
    return 3.5 * 11.0 / baud if baud <= 19200 else 1.75e-3


class ModbusBoard(CommandedBoard):
    """See `hil.ports.board.Board`. Use `open`; the constructor takes a port already open."""

    def __init__(
        self, port: Any, config: SerialBoardConfig, clock: Clock, log: ByteLog | None = None
    ) -> None:
        super().__init__(port, config, clock, log)
        told = self._description
        try:
            check_message_tables(told)
        except ValueError as error:
            raise LinkError(f"link profile {told.name}: {error}") from error
        self._framer = FramerRTU(decoder())
        self._conversions = {
            name: Conversion(message)
            for name, message in told.messages.items()
            if name.startswith("telemetry")
        }
        further = [name for name in self._conversions if name != "telemetry"]
        self._inbox: Inbox[list[float]] = Inbox(self._decode, further, told.hold)
        self._poller = Poller(told.polls, told.reply_timeout)
        self._buffer = b""
        self._quiet_since = clock.now()
        self._gap = silent_interval(told.baud)
        self._request: tuple[str, ModbusPDU] | None = None  # poll on the line
        self._nudge: tuple[float, ModbusPDU] | None = None  # since when, and what, is on the line
        self._unanswered = 0  # nudges in a row

    # ------------------------------------------------------------------ commands

    def identify(self) -> Identity:
        """Read the registers of the identity message, with the retries of the profile."""
        message = self._description.messages["identity"]
        request = read_request(message, self._description.framing)
        answer = self._transact("identify", request, 0.0, self._description.retries)
        if answer.isError():
            raise self._refusal("identify", self._code(answer), {})
        raw = values_read(message, answer, self._description.framing)
        if isinstance(raw, str):
            raise LinkError(f"board on {self._url}: identity: {raw}")
        return self._identity(read_message(message, raw, {}))

    def nudge(self) -> bool:
        """See `hil.ports.board.Nudged`; it takes its turn between two polls."""
        self._receive()
        if not self._nudge and self._unanswered > self._description.retries:
            self._unanswered = 0
            raise self._silence("identify", self._description.reply_timeout)
        if self._taken or not self._quiet:
            self._poller.give_way()
            return False
        message = self._description.messages["identity"]
        request = read_request(message, self._description.framing)
        self._begin("identify", request)
        self._nudge = (self._clock.now(), request)
        return True

    def settle(self) -> None:
        """See `hil.ports.board.Nudged`."""
        self._await_line()
        if self._unanswered:
            self._unanswered = 0
            self.identify()

    def stream(self, on: bool) -> None:
        """Begin or end to poll telemetry."""
        self._await_line()
        self._inbox.forget_telemetry()
        self._poller.switch(on, self._clock.now())
        if on:
            for conversion in self._conversions.values():
                conversion.continuity.restart()

    def _command(self, command: str, **arguments: float | str) -> None:
        spec = self._description.commands[command]
        try:
            requests = [
                write_request(
                    part, arguments_to_raw(command, part, arguments), self._description.framing
                )
                for part in (spec, *spec.then)
            ]
        except ValueError as error:
            raise LinkError(f"board on {self._url}: cannot send {error}") from error
        for request in requests:
            answer = self._transact(command, request, spec.timeout, spec.retries)
            if answer.isError():
                raise self._refusal(command, self._code(answer), arguments)

    def _code(self, answer: ModbusPDU) -> float | str:
        """Exception code, or its standard text if the profile has none of its own."""
        code = answer.exception_code
        if code in self._description.refusals or code not in EXCEPTIONS:
            return float(code)
        return f"{EXCEPTIONS[code]} (Modbus exception {code})"

    # ------------------------------------------------------------------ transactions

    def _transact(self, what: str, request: ModbusPDU, timeout: float, retries: int) -> ModbusPDU:
        self._await_line()
        wait = timeout or self._description.reply_timeout
        for _ in range(retries + 1):
            self._begin(what, request)
            asked, before = self._clock.now(), self._port.received
            size = len(self._framer.buildFrame(request)) - before
            deadline = asked + wait
            while True:
                answer = self._answer(request)
                if answer is not None:
                    self._answered.add(what)
                    self._note_turnaround(asked, size + self._port.received)
                    return answer
                if self._clock.now() >= deadline:
                    break
                self._clock.sleep(self._config.poll_interval)
        raise self._silence(what, wait)

    def _silence(self, what: str, waited: float) -> HilError:
        heard = f"{len(self._buffer)} bytes that are no answer" if self._buffer else "nothing"
        device = self._description.framing.device
        where = f"{heard} arrived: is it powered, and is its device address {device}?"
        return self._no_answer(what, waited, where, garbled=bool(self._buffer))

    @property
    def _taken(self) -> bool:
        """Whether something on the line still awaits its answer."""
        return self._request is not None or self._nudge is not None

    @property
    def _quiet(self) -> bool:
        """Whether the line has been silent for long enough to send."""
        self._listen()
        return self._clock.now() - self._quiet_since >= self._gap

    def _begin(self, what: str, request: ModbusPDU) -> None:
        """Send a request after the silent interval, with nothing old before its answer."""
        while True:
            self._listen()
            rest = self._gap - (self._clock.now() - self._quiet_since)
            if rest <= 0.0:
                break
            self._clock.sleep(rest)
        self._drop("arrived unasked, or late")
        self._port.write(what, self._framer.buildFrame(request))
        self._quiet_since = self._clock.now()

    def _listen(self) -> None:
        now, data = self._port.read()
        if data:
            self._buffer += data
            self._quiet_since = now

    def _answer(self, request: ModbusPDU) -> ModbusPDU | None:
        """The answer to `request` if it has arrived."""
        self._listen()
        if not self._buffer:
            return None
        try:
            used, found = self._framer.handleFrame(self._buffer, 0, 0)
        except Exception as error:  # whatever garbage makes the library raise
            self._drop(f"no Modbus frame ({error})")
            return None
        if found is None:
            if used or len(self._buffer) > LONGEST:
                self._drop("no Modbus frame, or its checksum is wrong")
            return None
        if found.dev_id != request.dev_id or not fits(request, found):
            self._drop(f"an answer of device {found.dev_id} to something else")
            return None
        self._buffer = b""
        return found

    def _drop(self, reason: str) -> None:
        if self._buffer:
            self._inbox.note_bad([f"{reason}: {self._buffer[:24]!r}"])
        self._buffer = b""

    def _await_line(self) -> None:
        """Let what is on the line be answered, or time out."""
        while self._taken:
            self._receive()
            if self._taken:
                self._clock.sleep(self._config.poll_interval)

    def _receive_nudge(self, since: float, request: ModbusPDU) -> None:
        """Take the answer to the nudge on the line; a refusal is a sign of life as well."""
        if self._answer(request) is not None:
            self._nudge, self._unanswered = None, 0
        elif self._clock.now() - since >= self._description.reply_timeout:
            self._nudge, self._unanswered = None, self._unanswered + 1

    def _receive(self) -> None:
        """Take the answer to what is on the line, if it is there."""
        if self._nudge is not None:
            self._receive_nudge(*self._nudge)
        if self._request is None:
            return
        name, request = self._request
        answer = self._answer(request)
        if answer is None:
            if not self._poller.waiting(self._clock.now()):
                self._request = None
            return
        self._request = None
        if answer.isError():
            code = self._code(answer)
            self._poller.refused(code if isinstance(code, str) else f"exception {code:g}")
            return
        self._poller.answered(name)
        message = self._description.messages[name]
        raw = values_read(message, answer, self._description.framing)
        if isinstance(raw, str):
            self._inbox.note_bad([f"{name}: {raw}"])
        else:
            row = [value for value in raw if not isinstance(value, str)]
            self._inbox.add(name, self._clock.now(), [row])

    def _decode(self, name: str, rows: Sequence[list[float]], host_time: float | None) -> Batch:
        conversion = self._conversions[name]
        width = sum(spec.type != "text" for spec in self._description.messages[name].fields)
        raw = np.array(rows, dtype=np.float64).reshape(len(rows), width)
        return conversion.batch(raw, np.ones(len(rows), dtype=np.bool_), [], host_time)

    def read(self) -> BoardReadings:
        """What the polls brought since the last call, and the next poll sent; never waits.

        Raises
        ------
        LinkError
            If the port itself fails, e.g. because the adapter was unplugged.
        """
        self._receive()
        if not self._taken and self._quiet:
            poll = self._poller.next(self._clock.now())
            if poll is not None:
                message = self._description.messages[poll.answer]
                request = read_request(message, self._description.framing)
                self._begin(f"poll for {poll.answer}", request)
                self._request = (poll.answer, request)
        return self._inbox.take(self._poller.take_lost())
