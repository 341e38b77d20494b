"""Status reporting of IEEE 488.2 chapter 11 and SCPI-1999 volume 1 chapter 9.

Bits of the status byte: 2 error queue not empty, 3 questionable, 4 message available, 5 standard
event, 6 master summary, 7 operation. Bits of the standard event register: 0 operation complete,
2 query error, 3 device error, 4 execution error, 5 command error, 7 power on.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from hil.twin.scpi import TEXTS, ScpiError

QUEUE_LENGTH = 20  # the standard asks for at least 2
LONGEST_TEXT = 255  # SCPI-1999 volume 2, 21.8.1
OPERATION_COMPLETE, POWER_ON = 1, 128


def event_bit(code: int) -> int:
    """Bit of the standard event register that an error number sets (SCPI-1999 volume 2, 21.8)."""
    if code > 0 or -399 <= code <= -300:
        return 8
    for first, last, bit in ((-199, -100, 32), (-299, -200, 16), (-499, -400, 4)):
        if first <= code <= last:
            return bit
    return 0


class ErrorQueue:
    """First in, first out; on overflow the newest entry becomes -350 and the older ones stay."""

    def __init__(self, length: int = QUEUE_LENGTH) -> None:
        self._length = length
        self._entries: deque[str] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, error: ScpiError, text: str = "") -> int:
        """Add an error (`text` where the standard has none); returns the event bits to set."""
        if len(self._entries) >= self._length:
            self._entries[-1] = f'-350,"{TEXTS[-350]}"'
            return event_bit(error.code) | event_bit(-350)
        text = text or TEXTS.get(error.code, "Device-specific error")
        full = f"{text};{error.info}" if error.info else text
        clean = "".join(c if " " <= c <= "~" else "?" for c in full).replace('"', "'")
        self._entries.append(f'{error.code},"{clean[:LONGEST_TEXT]}"')
        return event_bit(error.code)

    def pop(self) -> str:
        """Oldest entry, as ``SYSTem:ERRor?`` answers it."""
        return self._entries.popleft() if self._entries else f'0,"{TEXTS[0]}"'

    def clear(self) -> None:
        """Forget all entries."""
        self._entries.clear()


@dataclass(slots=True)
class EventRegister:
    """Condition, event and enable registers; an event is a condition bit that rose."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def update(self, condition: int) -> None:
        """New condition; rising bits become events, which stay until read."""
        self.event |= condition & ~self.condition
        self.condition = condition

    def take(self) -> int:
        """Read the event register, which clears it."""
        event, self.event = self.event, 0
        return event

    @property
    def summary(self) -> bool:
        """Whether an enabled event is set."""
        return bool(self.event & self.enable)


class Status:
    """All status registers of one instrument."""

    def __init__(self) -> None:
        self.errors = ErrorQueue()
        self.standard = EventRegister(event=POWER_ON)
        self.operation = EventRegister()
        self.questionable = EventRegister()
        self.service_enable = 0

    def report(self, error: ScpiError, text: str = "") -> None:
        """Queue an error and set its event bit."""
        self.standard.event |= self.errors.push(error, text)

    def byte(self, *, message_available: bool) -> int:
        """Status byte as ``*STB?`` answers it: bit 6 is the master summary."""
        value = (
            (4 if len(self.errors) else 0)
            | (8 if self.questionable.summary else 0)
            | (16 if message_available else 0)
            | (32 if self.standard.summary else 0)
            | (128 if self.operation.summary else 0)
        )
        return value | (64 if value & self.service_enable & ~64 else 0)

    def clear(self) -> None:
        """``*CLS``: event registers and error queue; enables stay."""
        self.errors.clear()
        for register in (self.standard, self.operation, self.questionable):
            register.event = 0

    def preset(self) -> None:
        """``STATus:PRESet``: enables of the two SCPI registers."""
        self.operation.enable = self.questionable.enable = 0
