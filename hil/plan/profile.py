"""The link profile: how one firmware talks on its serial link."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from hil.core.drive import DriveState, Fault
from hil.plan.model import Count, Model, Name, Number, Text
from hil.plan.source import Where
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
#: Channels without which no scenario can be run.
NEEDED_CHANNELS = ("reported.state", "reported.fault", "reported.speed")
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
#: Roles that a command or message must have.
NEEDED_ROLES = {
    "start": ("speed",),
    "set-speed": ("speed",),
    "select-sensing": ("sensing",),
    "stream": ("rate",),
    "identity": ("model", "revision"),
    "done": ("command",),
    "refused": ("command", "code"),
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

    key: Annotated[int, Field(strict=True, ge=0, le=255)] | Text
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


def check_profile(profile: Profile) -> Iterator[tuple[Where, str]]:
    """What is wrong with a profile beyond the form of each entry: place and text."""
    from hil.plan.explain import nearest

    if profile.framing.checksum:
        from anycrc import models

        width, _, name = profile.framing.checksum.removeprefix("CRC-").partition("/")
        known = {f"CRC-{n[3:].replace('-', '/', 1)}" for n in models}
        if f"CRC{width}-{name}" not in models:
            yield (
                ("framing", "checksum"),
                (
                    f"unknown checksum {profile.framing.checksum!r}"
                    f"{nearest(profile.framing.checksum, known)}"
                ),
            )
    sides = (("commands", profile.commands, COMMANDS), ("messages", profile.messages, MESSAGES))
    for side, found, wanted in sides:
        for name in found:
            if name not in wanted:
                yield (side, name), f"{side}: unknown name {name!r}{nearest(name, wanted)}"
        for name in wanted:
            if name not in found:
                yield (side,), f"{side}: {name} is missing"
        seen: dict[int | str, str] = {}
        for name, message in found.items():
            yield from _check_message(profile.framing.kind, (side, name), message)
            if message.key in seen:
                yield (
                    (side, name, "key"),
                    f"{side}.{name}: key {message.key!r} is also that of {seen[message.key]}",
                )
            seen.setdefault(message.key, name)
    telemetry = profile.messages.get("telemetry")
    if telemetry is not None:
        have = {field.channel for field in telemetry.fields}
        for channel in NEEDED_CHANNELS:
            if channel not in have:
                yield ("messages", "telemetry"), f"messages.telemetry: no field feeds {channel}"


def _check_message(kind: str, where: Where, message: Message) -> Iterator[tuple[Where, str]]:
    text = ".".join(str(part) for part in where)
    lines = kind == "lines"
    if isinstance(message.key, str) is not lines:
        wanted = "a word" if lines else "a number from 0 to 255"
        yield (*where, "key"), f"{text}.key: expected {wanted}, found {message.key!r}"
    roles = [field.role for field in message.fields if field.role]
    for role in NEEDED_ROLES.get(str(where[-1]), ()):
        if role not in roles:
            yield where, f"{text}: no field has the role {role!r}"
    for what, names in (
        ("role", roles),
        ("channel", [field.channel for field in message.fields if field.channel]),
    ):
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield where, f"{text}: more than one field has the {what} {name!r}"
    for index, field in enumerate(message.fields):
        place: Where = (*where, "fields", index)
        for problem in _check_field(lines, field):
            yield place, f"{text}, field {field.name!r}: {problem}"


def _check_field(lines: bool, field: Field_) -> Iterator[str]:
    if lines and field.type not in ("number", "text"):
        yield f"type: on a line protocol expected 'number' or 'text', found {field.type!r}"
    if not lines and field.type == "number":
        yield "type: in a binary protocol expected u8, i8, u16, i16, u32, i32, f32 or text"
    if not lines and (field.type == "text") is not (field.size > 0):
        yield "size: a text of a binary protocol needs its size in bytes, and only a text has one"
    if field.channel and field.role:
        yield "a field has a channel or a role, not both"
    try:
        scale_and_offset(field)
    except ValueError as error:
        yield f"unit: {error}"
    yield from _check_words(field)


def _check_words(field: Field_) -> Iterator[str]:
    from hil.plan.explain import nearest

    for words, known in ((field.states, STATES), (field.bits, FAULTS)):
        for word in words.values():
            if word not in known:
                yield f"unknown name {word!r}{nearest(word, known)}"
    for given, needed, key, where in (
        (field.states, field.channel == "reported.state", "states", "channel reported.state"),
        (field.bits, field.channel == "reported.fault", "bits", "channel reported.fault"),
        (field.choices, field.role == "sensing", "choices", "role sensing"),
    ):
        if bool(given) is not needed:
            yield f"{key}: needed with the {where}, and only there"
    for bit in field.bits:
        if not 0 <= bit < 32:
            yield f"bits: expected bit numbers from 0 to 31, found {bit}"
    if field.choices and set(field.choices) != {"hall", "back-emf"}:
        yield f"choices: expected hall and back-emf, found {', '.join(field.choices)}"
