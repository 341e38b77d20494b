"""The link profile: how one firmware talks on its serial link."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from hil.core.drive import DriveState, Fault
from hil.plan.model import Count, Model, Name, Number, Switch, Text
from hil.plan.source import describe
from hil.plan.units import Frequency, Time
from hil.ports.link import FieldType, FramingKind, Table

#: Channel a telemetry field can feed -> kind of quantity ("" for codes).
CHANNELS = {
    "reported.speed": "speed",
    "reported.setpoint": "speed",
    "reported.current": "current",
    "reported.peak": "current",
    "reported.voltage": "voltage",
    "reported.temperature": "temperature",
    "reported.state": "",
    "reported.fault": "",
}
#: Role of a field -> kind of quantity ("" for plain values).
ROLES = {
    "board-time": "time",
    "sequence": "",
    "model": "",
    "revision": "",
    "serial": "",
    "reset-cause": "",
    "command": "",
    "code": "",
    "speed": "speed",
    "magnitude": "speed",
    "direction": "",
    "sensing": "",
    "rate": "frequency",
}
STATES = {state.word: int(state) for state in DriveState}
FAULTS = {fault.words[0]: int(fault) for fault in Fault if fault}
#: Words of fault codes: one code is one fault, or none.
FAULT_CODES = {"none": int(Fault.NONE), **FAULTS}

Channel = Annotated[str, AfterValidator(lambda value: _one_of("channel", value, CHANNELS))]
Role = Annotated[str, AfterValidator(lambda value: _one_of("role", value, ROLES))]


def _one_of(what: str, value: str, names: Mapping[str, object]) -> str:
    from hil.core.alike import nearest

    if value and value not in names:
        raise ValueError(f"unknown {what} {value!r}{nearest(value, names)}")
    return value


def _codes(value: object) -> object:
    """Keys of a mapping are texts when read; codes are whole numbers, also as 0x10."""
    if not isinstance(value, dict):
        return value
    found: dict[int, object] = {}
    for key, word in value.items():
        try:
            found[int(str(key), 0)] = word
        except ValueError:
            raise ValueError(f"expected a whole number before the colon, found {key!r}") from None
    return found


Codes = Annotated[dict[int, str], BeforeValidator(_codes)]


def _key(value: object) -> object:
    if isinstance(value, str):
        return value
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 65535:
        return value
    raise ValueError(f"expected a word or a number from 0 to 65535, found {describe(value)}")


Key = Annotated[int | str, BeforeValidator(_key)]


def _plain(value: object) -> object:
    """A number or a text, neither turned into the other."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError(f"expected a number or a text, found {describe(value)}")
    return value


def _bytes(value: object) -> object:
    """A list of byte values."""
    if not isinstance(value, list) or not all(
        isinstance(byte, int) and not isinstance(byte, bool) and 0 <= byte <= 255 for byte in value
    ):
        raise ValueError(f"expected a list of bytes such as [0xAA, 0x55], found {describe(value)}")
    return bytes(value)


Bytes = Annotated[bytes, BeforeValidator(_bytes)]


def _bit_range(value: object) -> object:
    """``5`` or ``"0..3"`` to the lowest bit and how many there are."""
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 63:
        return (value, 1)
    if isinstance(value, str):
        low, dots, high = value.partition("..")
        if dots and low.strip().isdecimal() and high.strip().isdecimal():
            first, last = int(low), int(high)
            if first <= last <= 63:
                return (first, last - first + 1)
    raise ValueError(f"expected a bit such as 5 or bits such as 0..3, found {describe(value)}")


class Part(Model):
    """A value in some bits of a field."""

    name: Text
    range: Annotated[tuple[int, int], BeforeValidator(_bit_range)]
    signed: Switch = False
    channel: Channel = ""
    role: Role = ""
    unit: str = ""
    offset: str = ""
    modulus: Number = 0
    states: Codes = Field(default_factory=dict)
    faults: Codes = Field(default_factory=dict)
    bits: Codes = Field(default_factory=dict)
    words: Codes = Field(default_factory=dict)
    missing: Annotated[int | float | str, BeforeValidator(_plain)] | None = None

    @property
    def kind(self) -> str:
        """Kind of quantity carried, "" for codes, texts and plain numbers."""
        return CHANNELS.get(self.channel, "") or ROLES.get(self.role, "")


class Field_(Model):  # noqa: N801  (the library owns the plain word)
    """One field of a message."""

    name: Text
    type: FieldType
    channel: Channel = ""
    role: Role = ""
    unit: str = ""
    offset: str = ""
    size: Number = 0
    modulus: Number = 0
    states: Codes = Field(default_factory=dict)
    faults: Codes = Field(default_factory=dict)
    bits: Codes = Field(default_factory=dict)
    choices: dict[str, Number] = Field(default_factory=dict)
    words: Codes = Field(default_factory=dict)
    missing: Annotated[int | float | str, BeforeValidator(_plain)] | None = None
    constant: Annotated[int | float, BeforeValidator(_plain)] | None = None
    parts: tuple[Part, ...] = ()

    @property
    def kind(self) -> str:
        """Kind of quantity the field carries, "" for codes, texts and plain numbers."""
        return CHANNELS.get(self.channel, "") or ROLES.get(self.role, "")


class Write(Model):
    """Where fields stand in the tables of a Modbus device."""

    table: Table = ""
    at: Number | None = None
    fields: tuple[Field_, ...] = ()


class Message(Write):
    """A message: its key (on Modbus its place) and its fields."""

    key: Key | None = None


class Command(Message):
    """A message to the board."""

    reply: Key | None = None
    timeout: Time = 0.0
    retries: Number = 0
    then: tuple[Write, ...] = ()


class Poll(Model):
    """A request that brings telemetry, and how often it is sent."""

    answer: Text = "telemetry"
    every: Time
    request: Message | None = None


class Escape(Model):
    """The byte before an escaped one, and what that one is xored with."""

    byte: Annotated[int, Field(strict=True, ge=0, le=255)]
    xor: Annotated[int, Field(strict=True, ge=1, le=255)] = 0x20


class Length(Model):
    """The length field of a length-prefixed framing."""

    at: Number = 0
    size: Literal[1, 2, 4] = 1
    counts: Literal["message", "rest", "rest-and-checksum", "frame"] = "message"


class Framing(Model):
    """How messages are cut from the byte stream; which keys fit which kind is checked later."""

    kind: FramingKind
    terminator: Text = "\n"
    separator: Text = ","
    checksum: str = ""
    byte_order: Literal["little", "big"] = "little"
    longest: Count = 512
    checksum_order: Literal["little", "big"] | None = None
    covers: Literal["message", "after-sync", "frame"] = "after-sync"
    mark: Text = "*"
    digits: Literal["upper", "lower", "any"] = "upper"
    begin: str = ""
    prompt: str = ""
    echo: Switch = False
    start: Bytes = b""
    end: Bytes = b""
    escape: Escape | None = None
    sync: Bytes = b""
    length: Length = Length()
    key_size: Literal[1, 2] = 1
    device: Annotated[int, Field(strict=True, ge=1, le=247)] = 1
    word_order: Literal["high-first", "low-first"] = "high-first"


class Profile(Model):
    """One firmware's serial protocol, as the file says it."""

    format: Literal[1]
    profile: Name
    description: str = ""
    baud: Count
    framing: Framing
    reply_timeout: Time = 0.5
    retries: Number = 2
    telemetry_rate: Frequency = 200.0
    commands: dict[str, Command]
    messages: dict[str, Message]
    poll: tuple[Poll, ...] = ()
    sensing: Literal["", "hall", "back-emf"] = ""
    hold: Time = 1.0
    refusals: Codes = Field(default_factory=dict)
