"""Modbus tables as messages: fields in consecutive registers or bits, PDUs of the Modbus library.

    request = read_request(message, framing)        # PDU
    raw = values_read(message, answer, framing)     # raw values of the fields
    request = write_request(message, raw, framing)  # PDU

Registers are big endian on the wire (MODBUS Application Protocol V1.1b3, 4.2); which register of a
32 or 64 bit value comes first is not standardised, see `FramingSpec.word_order`. Coils and discrete
inputs are numbered from the least significant bit of a field upwards.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from hil.drivers.fields import FLOATS, LETTERS
from hil.ports.link import SIZES, FieldSpec, FramingSpec, LinkDescription, MessageSpec

#: MODBUS Application Protocol V1.1b3, section 7.
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, still at work",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not answer",
}
_READ: dict[str, type[ModbusPDU]] = {
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
    "input": ReadInputRegistersRequest,
    "holding": ReadHoldingRegistersRequest,
}
#: Longest frame of Modbus RTU, MODBUS over Serial Line V1.02, 2.5.1.
LONGEST = 256
BITS = ("coil", "discrete")
#: Longest read and write, V1.1b3 sections 6.1 to 6.4 and 6.11, 6.12.
MOST = {"coil": (2000, 1968), "discrete": (2000, 0), "input": (125, 0), "holding": (125, 123)}


def places(spec: FieldSpec, table: str) -> int:
    """How many registers or bits a field fills.

    Raises
    ------
    ValueError
        If a field of that type cannot stand in that table.
    """
    if table in BITS:
        if spec.type == "bit":
            return 1
        if spec.type not in LETTERS or spec.type in FLOATS or spec.type[0] == "i":
            raise ValueError(f"field {spec.name!r}: type {spec.type!r} does not fit a {table}")
        return 8 * SIZES[spec.type]
    size = spec.size if spec.type == "text" else SIZES.get(spec.type, 0)
    if size < 2 or size % 2:
        raise ValueError(f"field {spec.name!r}: type {spec.type!r} does not fill whole registers")
    return size // 2


def span(message: MessageSpec) -> int:
    """How many registers or bits a message fills."""
    return sum(places(spec, message.table) for spec in message.fields)


def check_span(message: MessageSpec, *, write: bool) -> None:
    """ValueError if the message is not one whole Modbus transaction."""
    if message.table not in MOST:
        raise ValueError(f"message {message.name!r}: no table")
    most, count = MOST[message.table][write], span(message)
    if not most:
        raise ValueError(f"message {message.name!r}: table {message.table} cannot be written")
    if not 1 <= count <= most or message.address + count > 65536:
        raise ValueError(
            f"message {message.name!r}: {count} places from {message.address}, expected 1 to {most}"
        )


def check_message_tables(told: LinkDescription) -> None:
    """ValueError if a message or command of the profile is not one whole Modbus transaction."""
    for message in told.messages.values():
        check_span(message, write=False)
    for command in told.commands.values():
        for part in (command, *command.then):
            check_span(part, write=True)


def read_request(message: MessageSpec, framing: FramingSpec) -> ModbusPDU:
    """The request that reads all fields of a message."""
    kind = _READ[message.table]
    return kind(address=message.address, count=span(message), dev_id=framing.device)


def values_read(
    message: MessageSpec, answer: ModbusPDU, framing: FramingSpec
) -> list[float | str] | str:
    """Raw values of the fields, or what is wrong with the answer."""
    wanted = span(message)
    if message.table in BITS:
        # bits come in whole bytes
        if len(answer.bits) != -(-wanted // 8) * 8:
            return f"{len(answer.bits)} bits, expected {wanted}"
        return _from_bits(message, [bool(bit) for bit in answer.bits])
    if len(answer.registers) != wanted:
        return f"{len(answer.registers)} registers, expected {wanted}"
    return _from_registers(message, list(answer.registers), framing)


def write_request(
    message: MessageSpec, raw: Sequence[int | float | str], framing: FramingSpec
) -> ModbusPDU:
    """The request that writes the fields of a command; one place by the single-place function.

    Raises
    ------
    ValueError
        If a value does not fit its field.
    """
    if message.table == "coil":
        bits = _to_bits(message, raw)
        if len(bits) == 1:
            return WriteSingleCoilRequest(address=message.address, bits=bits, dev_id=framing.device)
        return WriteMultipleCoilsRequest(address=message.address, bits=bits, dev_id=framing.device)
    registers = _to_registers(message, raw, framing)
    kind = WriteSingleRegisterRequest if len(registers) == 1 else WriteMultipleRegistersRequest
    return kind(address=message.address, registers=registers, dev_id=framing.device)


def fits(request: ModbusPDU, answer: ModbusPDU) -> bool:
    """Whether an answer belongs to a request, as far as Modbus lets one see."""
    if answer.function_code & 0x7F != request.function_code:
        return False
    if answer.isError() or request.function_code < 5:
        return True
    return answer.address == request.address


def decoder() -> DecodePDU:
    """Decoder of answers."""
    return DecodePDU(is_server=False)


def _order(framing: FramingSpec, words: Sequence[int]) -> list[int]:
    """Registers of one value, most significant first."""
    return list(words) if framing.word_order == "high-first" else list(reversed(words))


def _from_registers(
    message: MessageSpec, registers: list[int], framing: FramingSpec
) -> list[float | str]:
    values: list[float | str] = []
    at = 0
    for spec in message.fields:
        count = places(spec, message.table)
        words = registers[at : at + count]
        at += count
        if spec.type == "text":
            data = struct.pack(f">{count}H", *words)
            values.append(data.split(b"\x00", 1)[0].decode("ascii", "backslashreplace").rstrip())
            continue
        data = struct.pack(f">{count}H", *_order(framing, words))
        (number,) = struct.unpack(f">{LETTERS[spec.type]}", data)
        # a float that is not finite is a value that is missing
        missing = spec.type in FLOATS and number - number != 0.0
        values.append(float("nan") if missing else number)
    return values


def _to_registers(
    message: MessageSpec, raw: Sequence[int | float | str], framing: FramingSpec
) -> list[int]:
    registers: list[int] = []
    for spec, value in zip(message.fields, raw, strict=True):
        count = places(spec, message.table)
        try:
            if isinstance(value, str):
                data = value.encode("ascii").ljust(2 * count, b"\x00")
                registers += struct.unpack(f">{count}H", data)
                continue
            data = struct.pack(f">{LETTERS[spec.type]}", value)
        except (struct.error, OverflowError) as error:
            raise ValueError(f"{spec.name}: {value!r} does not fit {spec.type}: {error}") from error
        registers += _order(framing, struct.unpack(f">{count}H", data))
    return registers


def _from_bits(message: MessageSpec, bits: list[bool]) -> list[float | str]:
    values: list[float | str] = []
    at = 0
    for spec in message.fields:
        count = places(spec, message.table)
        values.append(sum(1 << i for i, bit in enumerate(bits[at : at + count]) if bit))
        at += count
    return values


def _to_bits(message: MessageSpec, raw: Sequence[int | float | str]) -> list[bool]:
    bits: list[bool] = []
    for spec, value in zip(message.fields, raw, strict=True):
        count = places(spec, message.table)
        if isinstance(value, str) or not 0 <= int(value) < 1 << count:
            raise ValueError(f"{spec.name}: {value!r} does not fit {count} bits")
        bits += [bool(int(value) >> i & 1) for i in range(count)]
    return bits
