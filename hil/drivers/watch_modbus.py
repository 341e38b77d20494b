"""The watch of a Modbus link: answers mean something only together with their requests."""

from __future__ import annotations

import numpy as np
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU

from hil.core.errors import LinkError
from hil.drivers.codec import read_message
from hil.drivers.modbus import (
    EXCEPTIONS,
    LONGEST,
    check_message_tables,
    fits,
    read_request,
    values_read,
)
from hil.drivers.telemetry import Conversion
from hil.drivers.watch import Watch
from hil.ports.link import LinkDescription, MessageSpec


class ModbusWatch(Watch):
    """Watch of Modbus RTU. LinkError if the profile contradicts itself."""

    def __init__(self, description: LinkDescription) -> None:
        super().__init__()
        try:
            check_message_tables(description)
        except ValueError as error:
            raise LinkError(f"link profile {description.name}: {error}") from error
        self._description = description
        self._requests = FramerRTU(DecodePDU(is_server=True))
        self._answers = FramerRTU(DecodePDU(is_server=False))
        self._request: ModbusPDU | None = None
        self._buffer = b""
        self._conversions = {
            name: Conversion(message)
            for name, message in description.messages.items()
            if name.startswith("telemetry")
        }

    def piece(self, t: float, to_board: bool, data: bytes) -> None:
        """Bytes that went one way at host time `t`, s."""
        if to_board:
            self.sent += len(data)
            if self._buffer:
                self._drop(t, "no answer to the request before it")
            self._request = self._parse(self._requests, data)
            self.commands[self._name_of_request()] += 1
            return
        self.received += len(data)
        self._buffer += data
        answer = self._parse(self._answers, self._buffer)
        if answer is None:
            if len(self._buffer) > LONGEST:
                self._drop(t, "no Modbus frame, or its checksum is wrong")
            return
        if self._request is None or not fits(self._request, answer):
            self._drop(t, "an answer to something else")
            return
        self._take(t, self._request, answer)
        self._buffer, self._request = b"", None

    def _drop(self, t: float, reason: str) -> None:
        self._leave(t, self._buffer, reason)
        self._buffer = b""

    @staticmethod
    def _parse(framer: FramerRTU, data: bytes) -> ModbusPDU | None:
        try:
            _used, found = framer.handleFrame(data, 0, 0)
        except Exception:  # whatever garbage makes the library raise
            return None
        return found

    def _take(self, t: float, request: ModbusPDU, answer: ModbusPDU) -> None:
        message = self._message_read(request)
        if answer.isError():
            code = answer.exception_code
            reason = self._description.refusals.get(code) or EXCEPTIONS.get(code, f"code {code}")
            self._note(t, "exception", 1, {"reason": reason})
            if message is not None and message.name in self._conversions:
                self.lost += 1
            return
        if message is None:
            self._note(t, "acknowledgement", 1, {})
            return
        raw = values_read(message, answer, self._description.framing)
        if isinstance(raw, str):
            self._drop(t, f"{message.name}: {raw}")
        elif message.name in self._conversions:
            row = np.array([[value for value in raw if not isinstance(value, str)]], dtype=float)
            batch = self._conversions[message.name].batch(row, np.ones(1, dtype=np.bool_), [], t)
            self._telemetry(t, message.name, batch)
        else:
            self._note(t, message.name, 1, read_message(message, raw, {}).fields)

    def _message_read(self, request: ModbusPDU) -> MessageSpec | None:
        """The message of the profile that a request reads."""
        for message in self._description.messages.values():
            wanted = read_request(message, self._description.framing)
            if (wanted.function_code, wanted.address, wanted.count) == (
                request.function_code,
                request.address,
                request.count,
            ):
                return message
        return None

    def _name_of_request(self) -> str:
        if self._request is None:
            return "unknown"
        message = self._message_read(self._request)
        if message is not None:
            return f"read {message.name}"
        return f"write at {self._request.address}" if self._request.function_code >= 5 else "read"
