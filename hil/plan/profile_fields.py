"""Whether the fields of a link profile fit their framing and carry what they say."""

from __future__ import annotations

from collections.abc import Iterator

from hil.core.alike import nearest
from hil.plan.profile import FAULT_CODES, FAULTS, STATES, Field_, Part
from hil.plan.profile_link import scale_and_offset
from hil.ports.link import SIZES

#: Words that the choices of an argument must offer.
CHOICES = {"sensing": {"hall", "back-emf"}, "direction": {"cw", "ccw"}}
#: Command -> roles its fields may have; any other command has constants only.
ARGUMENTS = {
    "start": ("speed", "magnitude", "direction"),
    "set-speed": ("speed", "magnitude", "direction"),
    "select-sensing": ("sensing",),
    "stream": ("rate",),
}
TEXT_TYPES = ("number", "hex", "text")
#: Types that can stand in coils and discrete inputs.
BIT_TYPES = ("bit", "u8", "u16", "u32")


def check_field(kind: str, table: str, command: str, field: Field_) -> Iterator[str]:
    """What is wrong with a field of a message of a framing `kind` (and a Modbus `table`).

    `command` is the name of the command the field belongs to, "" in a message from the board.
    """
    yield from _check_type(kind, table, field)
    yield from _check_place(command, field)
    yield from _check_meaning(field)
    if kind != "lines" and (field.type == "text") is not (field.size > 0):
        yield "size: a text of a binary protocol needs its size in bytes, and only a text has one"
    if field.channel and field.role:
        yield "a field has a channel or a role, not both"
    if isinstance(field.missing, str) and field.type not in ("number", "hex"):
        yield f"missing: a text can only stand for a number of a line, not for {field.type}"
    needed = field.role in CHOICES
    if bool(field.choices) is not needed:
        yield "choices: needed with the role sensing or direction, and only there"
    elif needed and set(field.choices) != CHOICES[field.role]:
        wanted = " and ".join(sorted(CHOICES[field.role], reverse=field.role == "sensing"))
        yield f"choices: expected {wanted}, found {', '.join(field.choices)}"
    yield from _check_parts(bool(command), field)


def _check_place(command: str, field: Field_) -> Iterator[str]:
    """Whether the field has a meaning on its side of the link."""
    if field.constant is not None and (not command or field.role or field.channel):
        yield "constant: only for a field of a command, without role or channel"
    if not command:
        if field.role in {role for roles in ARGUMENTS.values() for role in roles}:
            yield f"role: {field.role} is an argument of a command, not part of a message"
        return
    if field.constant is None and not field.role:
        yield "a field of a command needs a role or a constant"
    if field.channel:
        yield "channel: only in a message from the board"
    roles = ARGUMENTS.get(command, ())
    if field.role and field.role not in roles:
        known = f"expected {', '.join(roles)}" if roles else "it has constants only"
        yield f"role: {command} has no argument {field.role!r}, {known}"


def _check_type(kind: str, table: str, field: Field_) -> Iterator[str]:
    bits = table in ("coil", "discrete")
    if kind == "lines":
        if field.type not in TEXT_TYPES:
            yield f"type: on a line protocol expected number, hex or text, found {field.type!r}"
    elif bits:
        if field.type not in BIT_TYPES:
            yield f"type: in a {table} expected {', '.join(BIT_TYPES)}, found {field.type!r}"
    elif field.type not in SIZES and field.type != "text":
        yield f"type: in a binary protocol expected {', '.join(SIZES)} or text"
    elif kind == "modbus" and (field.size if field.type == "text" else SIZES[field.type]) % 2:
        yield f"type: registers have 16 bits, {field.type} does not fill them"


def _check_parts(command: bool, field: Field_) -> Iterator[str]:
    if not field.parts:
        return
    if command or field.channel or field.role:
        yield "parts: only in a message from the board, in a field without channel or role"
    width = {"hex": 53, "number": 53}.get(field.type, 8 * SIZES.get(field.type, 0))
    if field.type in ("f32", "f64", "text", "bit"):
        yield f"parts: a {field.type} has no bits to take apart"
        return
    for part in field.parts:
        low, count = part.range
        if low + count > width:
            yield f"part {part.name!r}: range: {field.type} has the bits 0 to {width - 1}"
        if any(bit >= count for bit in part.bits):
            yield f"part {part.name!r}: bits: it has the bits 0 to {count - 1}"
        if isinstance(part.missing, str):
            yield f"part {part.name!r}: missing: expected a number"
        for problem in _check_meaning(part):
            yield f"part {part.name!r}: {problem}"


def _check_meaning(field: Field_ | Part) -> Iterator[str]:
    """Unit, codes and words."""
    try:
        scale_and_offset(field)
    except ValueError as error:
        yield f"unit: {error}"
    for words, known in (
        (field.states, STATES),
        (field.bits, FAULTS),
        (field.faults, FAULT_CODES),
    ):
        for word in words.values():
            if word not in known:
                yield f"unknown name {word!r}{nearest(word, known)}"
    if bool(field.states) is not (field.channel == "reported.state"):
        yield "states: needed with the channel reported.state, and only there"
    fault = field.channel == "reported.fault"
    if fault and bool(field.bits) is bool(field.faults):
        yield "the channel reported.fault needs either bits or faults"
    for given, key in ((field.bits, "bits"), (field.faults, "faults")):
        if given and not fault:
            yield f"{key}: only with the channel reported.fault"
    if field.words and field.kind + field.channel:
        yield "words: only for a field without channel and quantity"
    for bit in field.bits:
        if not 0 <= bit < 32:
            yield f"bits: expected bit numbers from 0 to 31, found {bit}"
