"""The link profile: how one firmware talks on its serial link."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from hil.core.drive import DriveState, Fault
from hil.plan.model import Count, Model, Name, Number, Text
from hil.plan.source import describe
from hil.plan.units import Frequency, Time, convert, split
from hil.ports.link import (
    COMMANDS,
    MESSAGES,
    FieldSpec,
    FieldType,
    FramingSpec,
    LinkDescription,
    MessageSpec,
)

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
    "command": "",
    "code": "",
    "speed": "speed",
    "sensing": "",
    "rate": "frequency",
}
STATES = {state.word: int(state) for state in DriveState}
FAULTS = {fault.words[0]: int(fault) for fault in Fault if fault}

Channel = Annotated[str, AfterValidator(lambda value: _one_of("channel", value, CHANNELS))]
Role = Annotated[str, AfterValidator(lambda value: _one_of("role", value, ROLES))]


def _one_of(what: str, value: str, names: Mapping[str, object]) -> str:
    from hil.plan.explain import nearest

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
    if isinstance(value, str) and value:
        return value
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= 255:
        return value
    raise ValueError(f"expected a word or a number from 0 to 255, found {describe(value)}")


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
    bits: Codes = Field(default_factory=dict)
    choices: dict[str, Number] = Field(default_factory=dict)
    missing: Annotated[int, Field(strict=True)] | None = None

    @property
    def kind(self) -> str:
        """Kind of quantity the field carries, "" for codes, texts and plain numbers."""
        return CHANNELS.get(self.channel, "") or ROLES.get(self.role, "")


class Message(Model):
    """A message: its key and its fields."""

    key: Annotated[int | str, BeforeValidator(_key)]
    fields: tuple[Field_, ...] = ()


class Framing(Model):
    """How messages are cut from the byte stream."""

    kind: Literal["lines", "cobs"]
    terminator: Text = "\n"
    separator: Text = ","
    checksum: str = ""
    byte_order: Literal["little", "big"] = "little"
    longest: Count = 512


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
    commands: dict[str, Message]
    messages: dict[str, Message]
    refusals: Codes = Field(default_factory=dict)


def scale_and_offset(field: Field_) -> tuple[float, float]:
    """Canonical value of one raw count, and of raw zero.

    Raises
    ------
    ValueError
        If the unit does not fit what the field carries.
    """
    if not field.kind:
        if field.unit or field.offset:
            raise ValueError(
                "a unit is only for a field with a channel or role that carries a quantity"
            )
        return 1.0, 0.0
    if not field.unit:
        raise ValueError(f"a {field.kind} needs its unit, such as 'rpm', 'mV', '0.1 degC'")
    text = field.unit if re.match(r"\s*[.\d]", field.unit) else f"1 {field.unit}"
    number, unit = split(text)
    if field.kind == "temperature":
        zero = convert(f"0 {unit}", field.kind)
        scale = (convert(f"100 {unit}", field.kind) - zero) / 100.0 * number
    else:
        zero = 0.0
        scale = convert(text, field.kind)
    if scale == 0.0:
        raise ValueError(f"a count of {field.unit!r} would always be zero")
    return scale, zero if not field.offset else convert(field.offset, field.kind)


def describe_link(profile: Profile) -> LinkDescription:
    """What a link driver needs to know; the profile must have passed `check_profile`."""
    return LinkDescription(
        name=profile.profile,
        baud=profile.baud,
        framing=FramingSpec(
            kind=profile.framing.kind,
            terminator=profile.framing.terminator.encode(),
            separator=profile.framing.separator,
            checksum=profile.framing.checksum,
            byte_order=profile.framing.byte_order,
            longest=profile.framing.longest,
        ),
        messages={n: _message(n, profile.messages[n]) for n in MESSAGES},
        commands={n: _message(n, profile.commands[n]) for n in COMMANDS},
        refusals=profile.refusals,
        reply_timeout=profile.reply_timeout,
        retries=profile.retries,
        telemetry_rate=profile.telemetry_rate,
    )


def _message(name: str, message: Message) -> MessageSpec:
    return MessageSpec(name=name, key=message.key, fields=tuple(map(_field, message.fields)))


def _field(field: Field_) -> FieldSpec:
    scale, offset = scale_and_offset(field)
    return FieldSpec(
        name=field.name,
        type=field.type,
        channel=field.channel,
        role=field.role,
        scale=scale,
        offset=offset,
        size=field.size,
        modulus=field.modulus,
        values={raw: STATES[word] for raw, word in field.states.items()},
        bits={bit: FAULTS[word] for bit, word in field.bits.items()},
        choices=field.choices,
        missing=field.missing,
    )
