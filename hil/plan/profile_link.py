"""From a checked profile to what a link driver needs."""

from __future__ import annotations

import re
from collections.abc import Iterable

from hil.plan.profile import (
    FAULT_CODES,
    FAULTS,
    STATES,
    Command,
    Field_,
    Message,
    Part,
    Profile,
    Write,
)
from hil.plan.units import convert, split
from hil.ports.link import (
    FieldSpec,
    FramingSpec,
    LinkDescription,
    MessageSpec,
    PollSpec,
)


def scale_and_offset(field: Field_ | Part) -> tuple[float, float]:
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
    text = field.unit if re.match(r"\s*[-.\d]", field.unit) else f"1 {field.unit}"
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
    main = [poll.every for poll in profile.poll if poll.answer == "telemetry"]
    return LinkDescription(
        name=profile.profile,
        baud=profile.baud,
        framing=_framing(profile),
        messages={name: _message(name, m) for name, m in profile.messages.items()},
        commands={name: _command(name, c) for name, c in profile.commands.items()},
        refusals=profile.refusals,
        reply_timeout=profile.reply_timeout,
        retries=profile.retries,
        telemetry_rate=1.0 / min(main) if main else profile.telemetry_rate,
        polls=tuple(
            PollSpec(
                answer=poll.answer,
                period=poll.every,
                request=None if poll.request is None else _message("poll", poll.request),
            )
            for poll in profile.poll
        ),
        sensing=profile.sensing,
        hold=profile.hold,
    )


def _framing(profile: Profile) -> FramingSpec:
    told = profile.framing
    return FramingSpec(
        kind=told.kind,
        terminator=told.terminator.encode(),
        separator=told.separator,
        checksum=told.checksum,
        byte_order=told.byte_order,
        longest=told.longest,
        checksum_order=told.checksum_order or "",
        covers=told.covers,
        mark=told.mark.encode(),
        digits=told.digits,
        begin=told.begin.encode(),
        prompt=told.prompt.encode(),
        echo=told.echo,
        start=told.start,
        end=told.end,
        escape=None if told.escape is None else told.escape.byte,
        escape_xor=0x20 if told.escape is None else told.escape.xor,
        sync=told.sync,
        length_at=told.length.at,
        length_size=told.length.size,
        length_counts=told.length.counts,
        key_size=told.key_size,
        device=told.device,
        word_order=told.word_order,
    )


def _fields(fields: Iterable[Field_]) -> tuple[FieldSpec, ...]:
    return tuple(map(_field, fields))


def _message(name: str, message: Message) -> MessageSpec:
    return MessageSpec(
        name=name,
        key="" if message.key is None else message.key,
        fields=_fields(message.fields),
        table=message.table,
        address=message.at or 0,
    )


def _command(name: str, command: Command) -> MessageSpec:
    return MessageSpec(
        name=name,
        key="" if command.key is None else command.key,
        fields=_fields(command.fields),
        reply=command.reply,
        timeout=command.timeout,
        retries=command.retries,
        table=command.table,
        address=command.at or 0,
        then=tuple(_further(name, part) for part in command.then),
    )


def _further(name: str, part: Write) -> MessageSpec:
    return MessageSpec(
        name=name, key="", fields=_fields(part.fields), table=part.table, address=part.at or 0
    )


def _values(field: Field_ | Part) -> dict[int, int]:
    return {raw: STATES[word] for raw, word in field.states.items()} | {
        raw: FAULT_CODES[word] for raw, word in field.faults.items()
    }


def _field(field: Field_) -> FieldSpec:
    scale, offset = scale_and_offset(field)
    missing = field.missing
    return FieldSpec(
        name=field.name,
        type=field.type,
        channel=field.channel,
        role=field.role,
        scale=scale,
        offset=offset,
        size=field.size,
        modulus=field.modulus,
        values=_values(field),
        bits={bit: FAULTS[word] for bit, word in field.bits.items()},
        choices=field.choices,
        words=field.words,
        missing=None if isinstance(missing, str) else missing,
        missing_text=missing if isinstance(missing, str) else "",
        constant=field.constant,
        parts=tuple(_part(field, part) for part in field.parts),
    )


def _part(field: Field_, part: Part) -> FieldSpec:
    scale, offset = scale_and_offset(part)
    low, width = part.range
    return FieldSpec(
        name=part.name,
        type=field.type,
        channel=part.channel,
        role=part.role,
        scale=scale,
        offset=offset,
        modulus=part.modulus,
        values=_values(part),
        bits={bit: FAULTS[word] for bit, word in part.bits.items()},
        words=part.words,
        missing=None if isinstance(part.missing, str) else part.missing,
        low=low,
        width=width,
        signed=part.signed,
    )
