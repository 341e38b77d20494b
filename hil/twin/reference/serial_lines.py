r"""Protocol "lines": ASCII, fields split by commas, ``*HHHH`` checksum, ended by ``\n``.

Host to board: ``id``, ``start,<rpm>``, ``speed,<rpm>``, ``stop``, ``clear``, ``sense,<0|1>``,
``stream,<hz>``. The checksum may be left out by a person at a terminal; a wrong one makes the board
ignore the line. Board to host: ``id,<model>,<version>,<build>``, ``done,<command>``,
``refused,<command>,<code>`` and telemetry::

    t,<seq>,<time us>,<state>,<faults>,<rpm>,<set point rpm>,<mA>,<peak mA>,<mV>,<0.1 degC>
"""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import inlined
from hil.twin.reference import commands
from hil.twin.reference.messages import crc16, put, put_text, queue, spoilt, whole
from hil.twin.reference.state import RX_SIZE

_COMMA, _STAR, _NEWLINE, _RETURN, _MINUS, _PLUS, _ZERO = 44, 42, 10, 13, 45, 43, 48
_WORD_SIZE = 8
_LARGEST = 1_000_000  # no field of a command is beyond
_BAD_NUMBER = -_LARGEST - 1


def _words(*texts: str) -> np.ndarray[Any, np.dtype[np.uint8]]:
    packed = b"".join(text.encode("ascii").ljust(_WORD_SIZE, b"\0") for text in texts)
    return np.frombuffer(packed, np.uint8).reshape(-1, _WORD_SIZE).copy()


#: Row = command number of `commands`.
_COMMANDS = _words("", "id", "start", "speed", "stop", "clear", "sense", "stream")
_TAKES_NUMBER = np.array([0, 0, 1, 1, 0, 0, 1, 1])
_REPLIES = _words("id", "done", "refused")
_ID, _DONE, _REFUSED = 0, 1, 2


@inlined
def receive_line_byte(s: Any, byte: int) -> None:
    """Take one byte from the host; a newline makes the board obey the line before it."""
    if byte != _NEWLINE:
        if s.received_count < RX_SIZE:
            s.received[s.received_count] = byte
        s.received_count += 1
        return
    count = s.received_count
    s.received_count = 0
    if count > RX_SIZE:
        s.bad_messages += 1
        return
    if count > 0 and s.received[count - 1] == _RETURN:
        count -= 1
    if count >= 5 and s.received[count - 5] == _STAR:
        count -= 5
        if _hex(s, count + 1) != crc16(s.received, count):
            s.bad_messages += 1
            return
    if count > 0:
        _obey(s, count)


@inlined
def _hex(s: Any, start: int) -> int:
    """Four hexadecimal digits, or -1."""
    value = 0
    for index in range(start, start + 4):
        digit = int(s.received[index])
        if 48 <= digit <= 57:
            digit -= 48
        elif 65 <= digit <= 70:
            digit -= 55
        elif 97 <= digit <= 102:
            digit -= 87
        else:
            return -1
        value = 16 * value + digit
    return value


@inlined
def _obey(s: Any, count: int) -> None:
    word = 0
    while word < count and s.received[word] != _COMMA:
        word += 1
    command = _command(s, word)
    if command == 0:
        code = commands.UNKNOWN
    elif _TAKES_NUMBER[command] == 1:
        value = _number(s, word + 1, count)
        # a set point that is no number is out of range, whatever else the command checks
        code = commands.RANGE if value == _BAD_NUMBER else commands.execute(s, command, value)
    elif word != count:
        code = commands.RANGE
    else:
        code = commands.execute(s, command, 0)
    _answer(s, command, word, code)


@inlined
def _command(s: Any, size: int) -> int:
    if size > _WORD_SIZE:
        return 0
    for command in range(1, _COMMANDS.shape[0]):
        same = True
        for index in range(_WORD_SIZE):
            found = s.received[index] if index < size else 0
            if found != _COMMANDS[command, index]:
                same = False
        if same:
            return command
    return 0


@inlined
def _number(s: Any, start: int, end: int) -> int:
    negative = start < end and s.received[start] == _MINUS
    if start < end and (negative or s.received[start] == _PLUS):
        start += 1
    if start >= end:
        return _BAD_NUMBER
    value = 0
    for index in range(start, end):
        digit = int(s.received[index]) - _ZERO
        if digit < 0 or digit > 9 or value > _LARGEST:
            return _BAD_NUMBER
        value = 10 * value + digit
    return -value if negative else value


@inlined
def _answer(s: Any, command: int, word: int, code: int) -> None:
    if code == commands.DONE and command == commands.IDENTIFY:
        put_text(s, _REPLIES[_ID])
        put(s, _COMMA)
        put_text(s, s.model)
        put(s, _COMMA)
        put_text(s, s.version)
        put(s, _COMMA)
        put_text(s, s.build)
    else:
        put_text(s, _REPLIES[_DONE if code == commands.DONE else _REFUSED])
        put(s, _COMMA)
        for index in range(word):
            put(s, s.received[index])
        if code != commands.DONE:
            put(s, _COMMA)
            put(s, _ZERO + code)
    _finish(s, False)


@inlined
def _put_number(s: Any, value: int) -> None:
    put(s, _COMMA)
    if value < 0:
        put(s, _MINUS)
        value = -value
    scale = 1
    while value // scale >= 10:
        scale *= 10
    while scale > 0:
        put(s, _ZERO + (value // scale) % 10)
        scale //= 10


@inlined
def _finish(s: Any, telemetry: bool) -> None:
    value = crc16(s.frame, s.frame_count)
    if telemetry and spoilt(s):
        value ^= 1
    put(s, _STAR)
    for shift in (12, 8, 4, 0):
        digit = (value >> shift) & 15
        put(s, digit + (_ZERO if digit < 10 else 55))
    put(s, _NEWLINE)
    queue(s, telemetry)


@inlined
def send_line_telemetry(s: Any, fields: Any) -> None:
    """Queue one telemetry line; `fields` as in `telemetry.measure`."""
    put(s, 116)  # t
    _put_number(s, s.sequence)
    _put_number(s, int(s.time_us) & 0xFFFFFFFF)
    _put_number(s, s.state)
    _put_number(s, s.faults & ~s.report_fault_mask)
    _put_number(s, whole(fields[0]))
    _put_number(s, whole(fields[1]))
    _put_number(s, whole(1e3 * fields[2]))
    _put_number(s, whole(1e3 * fields[3]))
    _put_number(s, whole(1e3 * fields[4]))
    _put_number(s, whole(10.0 * fields[5]))
    _finish(s, True)
