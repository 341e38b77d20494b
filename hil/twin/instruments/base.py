"""What every simulated instrument has: the common commands, status, and conversations by line.

The instruments are reached over raw sockets. A raw socket has no end-of-message and no notion of
an unread answer, so query errors (-4xx) do not arise; IEEE 488.2 leaves them to buses that do.
A command error ends the program message in which it stands; after an execution error the rest of
the message is still executed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from hil.twin.instruments.parameters import integer
from hil.twin.instruments.status import OPERATION_COMPLETE, EventRegister, Status
from hil.twin.scpi import WHITE, Command, CommandTree, ScpiError, split

MAKER = "GREENHOUSE BENCH"
LONGEST_MESSAGE = 65536
REMEMBERED = 64  # messages whose meaning is kept

#: Command, its unit of the message, text of its parameters, and these converted if that was done.
Call = tuple[Command, str, str, list[Any] | None]


class SimulatedInstrument:
    """A device behind SCPI; kinds add commands to `tree` and override the four hooks.

    Parameters
    ----------
    role : supply, tachometer, brake or switch.
    model, serial, revision : fields of the answer to ``*IDN?``.

    Attributes
    ----------
    silent : True and it stops answering, like a device that hangs (for fault scenarios).
    refusing : True and numbers that are to be set are refused as out of range.
    latency : s by which answers come later.
    """

    def __init__(
        self, role: str, model: str, serial: str = "SIM-0001", revision: str = "1.0"
    ) -> None:
        self.role = role
        self.identity = ",".join((MAKER, model, serial, revision))
        self.status = Status()
        self.tree = CommandTree()
        self.silent = self.refusing = False
        self.latency = 0.0
        self._replied = False
        self._known: dict[str, list[Call]] = {}
        self._add_common()
        self._add_status()

    # Hooks -----------------------------------------------------------------------------------

    def reset(self) -> None:
        """``*RST``: settings to their power-on values; status registers are left alone."""

    def observe(self, now: float) -> None:
        """Called after each slice of simulated time, `now` in s."""

    def due(self) -> float:
        """Time in s at which the instrument wants to act; infinity for never."""
        return math.inf

    def power_off(self) -> None:
        """The simulated bench is put away."""

    # Messages --------------------------------------------------------------------------------

    def execute(self, message: str) -> str:
        """Execute one program message without its end; the reply, "" if nothing was asked."""
        if not message.strip(WHITE):
            return ""
        replies: list[str] = []
        self._replied = False
        known = self._known.get(message)
        calls: list[Call] = []
        try:
            for call in known or self._calls(message):
                command, unit, text, arguments = call
                try:
                    if self.refusing:
                        _refuse_numbers(unit, text)
                    if arguments is None:
                        arguments = command.convert(text)
                        calls.append((command, unit, text, arguments))
                    reply = command.run(*arguments)
                except ScpiError as error:
                    if -199 <= error.code <= -100:
                        raise
                    self.status.report(error)
                else:
                    if reply is not None:
                        replies.append(reply)
                        self._replied = True
        except ScpiError as error:
            self.status.report(error)
        else:
            # clients ask the same again and again; what an error came of is not kept
            answered = len(calls) == message.count(";") + 1 == len(replies)
            if answered and len(self._known) < REMEMBERED:
                self._known[message] = calls
        return ";".join(replies)

    def _calls(self, message: str) -> Iterator[Call]:
        path: tuple[str, ...] = ()
        for unit in split(message, ";"):
            command, text, path = self.tree.find(unit, path)
            yield command, unit, text, None

    def converse(self) -> Conversation:
        """A new conversation, one for each client."""
        return Conversation(self)

    def _add_common(self) -> None:
        status, tree = self.status, self.tree
        tree.add("*IDN?", lambda: self.identity)
        tree.add("*RST", self.reset)
        tree.add("*CLS", status.clear)
        tree.add("*ESR?", lambda: str(status.standard.take()))
        _add_enable(tree, "*ESE", status.standard, 255)
        tree.add("*SRE", self._set_service_enable, integer(0, 255))
        tree.add("*SRE?", lambda: str(status.service_enable))
        tree.add("*STB?", lambda: str(status.byte(message_available=self._replied)))
        tree.add("*OPC", self._operation_complete)
        tree.add("*OPC?", lambda: "1")  # every command is finished when the next one is read
        tree.add("*WAI", lambda: None)
        tree.add("*TST?", lambda: "0")

    def _add_status(self) -> None:
        status, tree = self.status, self.tree
        tree.add("SYSTem:ERRor[:NEXT]?", status.errors.pop)
        tree.add("SYSTem:ERRor:COUNt?", lambda: str(len(status.errors)))
        tree.add("SYSTem:VERSion?", lambda: "1999.0")
        tree.add("STATus:PRESet", status.preset)
        for word, register in (
            ("OPERation", status.operation),
            ("QUEStionable", status.questionable),
        ):
            _add_register(tree, word, register)

    def _set_service_enable(self, value: int) -> None:
        self.status.service_enable = value & ~64  # bit 6 cannot be enabled (IEEE 488.2, 11.3.2.3)

    def _operation_complete(self) -> None:
        self.status.standard.event |= OPERATION_COMPLETE


def _refuse_numbers(unit: str, text: str) -> None:
    """Refuse a command that sets a number; words, as those that switch off, are taken."""
    if "?" not in unit and any(character.isdigit() for character in text):
        raise ScpiError(-222)


def _add_enable(tree: CommandTree, header: str, register: EventRegister, high: int) -> None:
    def enable(value: int) -> None:
        register.enable = value

    tree.add(header, enable, integer(0, high))
    tree.add(f"{header}?", lambda: str(register.enable))


def _add_register(tree: CommandTree, word: str, register: EventRegister) -> None:
    tree.add(f"STATus:{word}[:EVENt]?", lambda: str(register.take()))
    tree.add(f"STATus:{word}:CONDition?", lambda: str(register.condition))
    _add_enable(tree, f"STATus:{word}:ENABle", register, 65535)


class Conversation:
    """Bytes of one client in, bytes of replies out; messages end with a new line."""

    def __init__(self, instrument: SimulatedInstrument) -> None:
        self._instrument = instrument
        self._pending = bytearray()
        self._overrun = False

    def receive(self, data: bytes) -> bytes:
        """Execute every message that `data` completes; returns the replies, each ended by LF.

        A message over `LONGEST_MESSAGE` bytes is dropped with -363.
        """
        whole = data.find(b"\n") + 1 == len(data) <= LONGEST_MESSAGE
        if whole and not self._pending and not self._overrun:  # as nearly always
            return self._answer(data[:-1])
        replies = bytearray()
        *ended, rest = data.split(b"\n")
        for piece in ended:
            self._collect(piece)
            message, overrun = bytes(self._pending), self._overrun
            self._pending.clear()
            self._overrun = False
            if not overrun:
                replies += self._answer(message)
        self._collect(rest)
        return bytes(replies)

    def _answer(self, message: bytes) -> bytes:
        reply = self._instrument.execute(message.decode("latin-1"))
        if not reply or self._instrument.silent:
            return b""
        return reply.encode("latin-1", "replace") + b"\n"  # a block of data is of any bytes

    def clear(self) -> None:
        """Forget an unfinished message (device clear)."""
        self._pending.clear()
        self._overrun = False

    def _collect(self, piece: bytes) -> None:
        if self._overrun:
            return
        self._pending += piece
        if len(self._pending) > LONGEST_MESSAGE:
            self._pending.clear()
            self._overrun = True
            self._instrument.status.report(ScpiError(-363))
