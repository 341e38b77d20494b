"""Whether the parts of a link profile fit each other and make a whole protocol."""

from __future__ import annotations

from collections.abc import Iterator

from hil.plan.explain import nearest
from hil.plan.profile import FAULTS, STATES, Field_, Message, Profile, scale_and_offset
from hil.plan.source import Where
from hil.ports.link import COMMANDS, MESSAGES

#: Channels without which no scenario can be run.
NEEDED_CHANNELS = ("reported.state", "reported.fault", "reported.speed")
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


def check_profile(profile: Profile) -> Iterator[tuple[Where, str]]:
    """What is wrong with a profile beyond the form of each entry: place and text."""
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
