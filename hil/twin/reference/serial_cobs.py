"""Protocol "cobs": binary payload and CRC, little endian, stuffed so that 0x00 ends a frame.

Host to board: 0x01 identify, 0x02 start i16 rpm, 0x03 speed i16 rpm, 0x04 stop, 0x05 clear, 0x06
sense u8, 0x07 stream u16 Hz. Board to host: 0x81 text[16] model, text[8] version, text[8] build;
0x82 done u8 command; 0x83 refused u8 command, u8 code; 0x90 telemetry::

    u8 seq, u32 time us, u8 state, u16 faults, i16 rpm, i16 set point rpm, i16 10 mA, u16 peak
    10 mA, u16 10 mV, i16 0.1 degC

A frame that does not decode, or whose checksum is wrong, is ignored and counted.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import inlined
from hil.twin.reference import commands
from hil.twin.reference.messages import crc16, put, put_little, queue, spoilt, whole, within
from hil.twin.reference.state import RX_SIZE

_IDENTITY, _DONE, _REFUSED, _TELEMETRY = 0x81, 0x82, 0x83, 0x90
#: Payload size of each command, with its number; row = command of `commands`.
_SIZES = np.array([0, 1, 3, 3, 1, 1, 2, 3])


@inlined
def receive_cobs_byte(s: Any, byte: int) -> None:
    """Take one byte from the host; 0x00 makes the board obey the frame before it."""
    if byte != 0:
        if s.received_count < RX_SIZE:
            s.received[s.received_count] = byte
        s.received_count += 1
        return
    count = s.received_count
    s.received_count = 0
    if count == 0:
        return
    size = unstuff(s.received, count) if count <= RX_SIZE else -1
    if size < 3 or crc16(s.received, size - 2) != s.received[size - 2] + 256 * s.received[size - 1]:
        s.bad_messages += 1
        return
    _obey(s, size - 2)


@inlined
def unstuff(data: Any, count: int) -> int:
    """Undo consistent overhead byte stuffing in place; the size, or -1 if a code is wrong."""
    read = 0
    size = 0
    while read < count:
        code = int(data[read])
        read += 1
        if code == 0 or read + code - 1 > count:
            return -1
        for _ in range(code - 1):
            data[size] = data[read]
            size += 1
            read += 1
        if code < 0xFF and read < count:
            data[size] = 0
            size += 1
    return size


@inlined
def _obey(s: Any, size: int) -> None:
    command = int(s.received[0])
    if command < 1 or command >= _SIZES.size:
        code = commands.UNKNOWN
    elif size != _SIZES[command]:
        code = commands.RANGE
    else:
        value = 0
        if size == 2:
            value = int(s.received[1])
        elif size == 3:
            value = int(s.received[1]) + 256 * int(s.received[2])
            if command != commands.STREAM and value > 32767:
                value -= 65536
        code = commands.execute(s, command, value)
    _answer(s, command, code)


@inlined
def _answer(s: Any, command: int, code: int) -> None:
    if code == commands.DONE and command == commands.IDENTIFY:
        put(s, _IDENTITY)
        for index in range(16):
            put(s, s.model[index])
        for index in range(8):
            put(s, s.version[index])
        for index in range(8):
            put(s, s.build[index])
    elif code == commands.DONE:
        put(s, _DONE)
        put(s, command)
    else:
        put(s, _REFUSED)
        put(s, command)
        put(s, code)
    _finish(s, False)


@inlined
def _finish(s: Any, telemetry: bool) -> None:
    value = crc16(s.frame, s.frame_count)
    if telemetry and spoilt(s):
        value ^= 1
    put_little(s, value, 2)
    s.frame_count = stuff(s.frame, s.frame_count)
    put(s, 0)
    queue(s, telemetry)


@inlined
def stuff(data: Any, count: int) -> int:
    """Consistent overhead byte stuffing in place of at most 253 bytes; the new size."""
    code = 1
    for index in range(count - 1, -1, -1):
        byte = data[index]
        if byte == 0:
            data[index + 1] = code
            code = 1
        else:
            data[index + 1] = byte
            code += 1
    data[0] = code
    return count + 1


@inlined
def send_cobs_telemetry(s: Any, fields: Any) -> None:
    """Queue one telemetry frame; `fields` as in `telemetry.measure`."""
    put(s, _TELEMETRY)
    put(s, s.sequence)
    put_little(s, int(s.time_us) & 0xFFFFFFFF, 4)
    put(s, s.state)
    put_little(s, s.faults & ~s.report_fault_mask, 2)
    put_little(s, within(whole(fields[0]), -32768, 32767), 2)
    put_little(s, within(whole(fields[1]), -32768, 32767), 2)
    put_little(s, within(whole(1e2 * fields[2]), -32768, 32767), 2)
    put_little(s, within(whole(1e2 * fields[3]), 0, 65535), 2)
    put_little(s, within(whole(1e2 * fields[4]), 0, 65535), 2)
    put_little(s, within(whole(10.0 * fields[5]), -32768, 32767), 2)
    _finish(s, True)
