"""Whether the parts of a link profile fit each other and make a whole protocol."""

from __future__ import annotations

from collections.abc import Iterator

from hil.core.alike import nearest
from hil.plan.line_load import least_bytes, overload
from hil.plan.model import kebab
from hil.plan.profile import Command, Field_, Framing, Message, Part, Profile, Write
from hil.plan.profile_fields import check_field
from hil.plan.profile_link import describe_link
from hil.plan.source import Where
from hil.ports.link import (
    COMMANDS,
    MESSAGES,
    OPTIONAL_COMMANDS,
    OPTIONAL_MESSAGES,
    PLAIN_CHECKSUMS,
)

Wrong = Iterator[tuple[Where, str]]

#: Channels without which no scenario can be run.
NEEDED_CHANNELS = ("reported.state", "reported.fault", "reported.speed")
#: Roles that a command or message must have.
NEEDED_ROLES = {
    "select-sensing": ("sensing",),
    "stream": ("rate",),
    "identity": ("model", "revision"),
}
BLOCKS = ("cobs", "slip", "delimited", "length")
#: Key of the framing -> the kinds it has a meaning for.
FRAMING_KEYS = {
    "terminator": ("lines",),
    "separator": ("lines",),
    "mark": ("lines",),
    "digits": ("lines",),
    "begin": ("lines",),
    "prompt": ("lines",),
    "echo": ("lines",),
    "checksum": ("lines", *BLOCKS),
    "checksum_order": BLOCKS,
    "byte_order": BLOCKS,
    "key_size": BLOCKS,
    "longest": ("lines", *BLOCKS),
    "covers": ("delimited", "length"),
    "start": ("delimited",),
    "end": ("delimited",),
    "escape": ("delimited",),
    "sync": ("length",),
    "length": ("length",),
    "device": ("modbus",),
    "word_order": ("modbus",),
}


def check_profile(profile: Profile) -> Wrong:
    """What is wrong with a profile beyond the form of each entry: place and text."""
    yield from _check_framing(profile.framing)
    yield from _check_names(profile)
    sides: tuple[tuple[str, dict[str, Command] | dict[str, Message]], ...] = (
        ("commands", profile.commands),
        ("messages", profile.messages),
    )
    for side, found in sides:
        seen: dict[int | str, str] = {}
        for name, message in found.items():
            yield from _check_message(profile.framing, (side, name), message)
            key = message.key
            if key is None:
                continue
            if key in seen and not _one_of_the_board(message, found[seen[key]]):
                said = f"is also that of {seen[key]}{_unlike(message)}"
                yield (side, name, "key"), f"{side}.{name}: key {_as_written(key)} {said}"
            seen.setdefault(key, name)
    yield from _check_replies(profile)
    yield from _check_telemetry(profile)
    yield from _check_polls(profile)


def _one_of_the_board(one: Message, other: Message) -> bool:
    """Whether two commands are one to the board, such as start and set-speed: with equal fields.

    Commands without fields would be told apart by nothing; there a key twice is rather a slip.
    """

    def fields(message: Message) -> list[dict[str, object]]:
        return [field.model_dump(exclude={"name"}) for field in message.fields]

    commands = isinstance(one, Command) and isinstance(other, Command)
    return commands and bool(one.fields) and fields(one) == fields(other)


def _unlike(message: Message) -> str:
    told = isinstance(message, Command) and message.fields
    return "; one command of the board can serve both, with the same fields" if told else ""


def check_line_load(profile: Profile) -> Wrong:
    """Telemetry that is asked for oftener than the line carries it; of a profile else in order.

    A rate that nobody states and nobody asks the board for is no more than a guess.
    """
    stated = "telemetry_rate" in profile.model_fields_set or "stream" in profile.commands
    if profile.poll or not stated:
        return
    link = describe_link(profile)
    if said := overload(link, least_bytes(link)):
        at_least = " at least" if profile.framing.kind == "lines" else ""
        yield ("telemetry-rate",), f"telemetry-rate: {said.replace(' bytes', f' bytes{at_least}')}"


def _check_framing(framing: Framing) -> Wrong:
    for key in sorted(framing.model_fields_set):
        kinds = FRAMING_KEYS.get(key)
        if kinds is not None and framing.kind not in kinds:
            yield (
                ("framing", kebab(key)),
                f"framing.{kebab(key)}: only for the kind {' or '.join(kinds)}, "
                f"not for {framing.kind}",
            )
    if framing.checksum and framing.checksum not in PLAIN_CHECKSUMS:
        from anycrc import aliases, models

        width, _, name = framing.checksum.removeprefix("CRC-").partition("/")
        known = {f"CRC-{n[3:].replace('-', '/', 1)}" for n in models} | set(PLAIN_CHECKSUMS)
        key = aliases.get(f"CRC{width}-{name}", f"CRC{width}-{name}")
        if key not in models:
            yield (
                ("framing", "checksum"),
                f"unknown checksum {framing.checksum!r}{nearest(framing.checksum, known)}",
            )
        elif models[key].width % 8:
            yield (
                ("framing", "checksum"),
                f"checksum {framing.checksum!r} does not fill whole bytes",
            )
    for key in ("terminator", "separator", "mark", "begin", "prompt"):
        if not str(getattr(framing, key)).isascii():
            yield ("framing", key), f"framing.{key}: expected ASCII"
    if framing.kind == "delimited":
        yield from _check_delimiters(framing)
    if framing.kind == "length" and not framing.sync and not framing.checksum:
        yield ("framing",), "framing: the kind length needs sync bytes or a checksum"


def _check_delimiters(framing: Framing) -> Wrong:
    if not framing.end:
        yield ("framing",), "framing: the kind delimited needs end bytes"
    if framing.escape is None:
        return
    marks = {*framing.start, *framing.end}
    if framing.escape.byte in marks:
        yield ("framing", "escape"), "framing.escape: the byte is also a start or end byte"
    marks.add(framing.escape.byte)
    if any(byte ^ framing.escape.xor in marks for byte in marks):
        yield (
            ("framing", "escape"),
            f"framing.escape: xor {framing.escape.xor:#04x} makes a start, end or escape byte",
        )


def _check_names(profile: Profile) -> Wrong:
    modbus = profile.framing.kind == "modbus"
    for side, found, wanted, optional in (
        ("commands", list(profile.commands), COMMANDS, OPTIONAL_COMMANDS),
        ("messages", list(profile.messages), MESSAGES, OPTIONAL_MESSAGES),
    ):
        # on Modbus the identity is read and every write is acknowledged by the protocol itself
        none = ("identify", "stream", "done", "refused") if modbus else ()
        for name in found:
            if name in none:
                yield (side, name), f"{side}: {name} has no place in a modbus profile"
            elif name not in wanted and not _further(side, name):
                yield (side, name), f"{side}: unknown name {name!r}{nearest(name, wanted)}"
        for name in wanted:
            if name not in found and name not in (*optional, *none):
                yield (side,), f"{side}: {name} is missing"
    if "refused" in profile.messages and "done" not in profile.messages:
        yield ("messages", "refused"), "messages: refused without done says nothing of success"
    selects = "select-sensing" in profile.commands
    if selects and profile.sensing:
        yield ("sensing",), "sensing: only for a drive without the command select-sensing"
    if not selects and not profile.sensing:
        yield (
            ("commands",),
            "commands: without select-sensing the profile needs 'sensing: hall' or back-emf",
        )


def _further(side: str, name: str) -> bool:
    return side == "messages" and name.startswith("telemetry-") and len(name) > len("telemetry-")


def _check_message(framing: Framing, where: Where, message: Message) -> Wrong:
    text = ".".join(str(part) for part in where)
    yield from _check_key(framing, where, message)
    command = "" if where[0] == "messages" else str(where[-1])
    parts: list[tuple[Where, Write]] = [(where, message)]
    if isinstance(message, Command):
        parts += [((*where, "then", index), part) for index, part in enumerate(message.then)]
        if message.then and framing.kind != "modbus":
            yield (*where, "then"), f"{text}.then: only for the kind modbus"
    roles: list[str] = []
    channels: list[str] = []
    for place, part in parts:
        for index, field in enumerate(part.fields):
            for problem in check_field(framing.kind, part.table, command, field):
                yield (*place, "fields", index), f"{text}, field {field.name!r}: {problem}"
            roles += [leaf.role for leaf in _leaves(field) if leaf.role]
            channels += [leaf.channel for leaf in _leaves(field) if leaf.channel]
    needed = NEEDED_ROLES.get(str(where[-1]), ())
    if where in (("commands", "start"), ("commands", "set-speed")):
        needed = ("magnitude", "direction") if "magnitude" in roles else ("speed",)
    for role in needed:
        if role not in roles:
            yield where, f"{text}: no field has the role {role!r}"
    for what, names in (("role", roles), ("channel", channels)):
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield where, f"{text}: more than one field has the {what} {name!r}"


def _leaves(field: Field_) -> tuple[Field_ | Part, ...]:
    return (field, *field.parts)


def _check_key(framing: Framing, where: Where, message: Message) -> Wrong:
    text = ".".join(str(part) for part in where)
    if framing.kind == "modbus":
        if message.key is not None:
            yield (*where, "key"), f"{text}.key: a modbus message has a table and 'at' instead"
        parts = [message, *(message.then if isinstance(message, Command) else ())]
        for part in parts:
            if not part.table or part.at is None or not part.fields:
                yield where, f"{text}: a modbus message needs table, 'at' and fields"
            if where[0] == "commands" and part.table in ("input", "discrete"):
                yield where, f"{text}: table {part.table} cannot be written"
        return
    if message.table or message.at is not None:
        yield where, f"{text}: table and 'at' are only for the kind modbus"
    keys = [("key", message.key)]
    if isinstance(message, Command) and message.reply is not None:
        keys.append(("reply", message.reply))
    for name, key in keys:
        if framing.kind == "lines":
            keyless = where == ("messages", "telemetry") and key in (None, "")
            good = isinstance(key, str) and key != "" and key.isascii() and key.isprintable()
            if not keyless and (not good or framing.separator in str(key)):
                yield (*where, name), f"{text}.{name}: expected a word, found {key!r}"
            continue
        top = 255 if framing.key_size == 1 else 65535
        if not isinstance(key, int) or key > top:
            yield (
                (*where, name),
                f"{text}.{name}: expected a number from 0 to {top}, found {key!r}",
            )


def _check_replies(profile: Profile) -> Wrong:
    taken = {message.key: name for name, message in profile.messages.items()}
    for name, command in profile.commands.items():
        if command.reply is None:
            continue
        where = ("commands", name, "reply")
        if "done" not in profile.messages:
            yield where, f"commands.{name}.reply: needs the message done, whose fields it has"
        elif taken.get(command.reply, "done") != "done":
            yield (
                where,
                f"commands.{name}.reply: key {_as_written(command.reply)} is that of "
                f"{taken[command.reply]}",
            )


def _check_telemetry(profile: Profile) -> Wrong:
    fed: dict[str, str] = {}
    for name, message in profile.messages.items():
        if not name.startswith("telemetry"):
            continue
        for field in message.fields:
            for leaf in _leaves(field):
                if leaf.channel and fed.setdefault(leaf.channel, name) != name:
                    yield (
                        ("messages", name),
                        f"messages.{name}: {leaf.channel} is also fed by {fed[leaf.channel]}",
                    )
    if "telemetry" in profile.messages:
        for channel in NEEDED_CHANNELS:
            if fed.get(channel) != "telemetry":
                yield ("messages", "telemetry"), f"messages.telemetry: no field feeds {channel}"


def _check_polls(profile: Profile) -> Wrong:
    modbus = profile.framing.kind == "modbus"
    names = [name for name in profile.messages if name.startswith("telemetry")]
    if profile.poll and "stream" in profile.commands:
        yield ("poll",), "poll: a board that is polled has no command stream"
    if modbus or profile.poll:
        for name in names:
            if all(poll.answer != name for poll in profile.poll):
                yield ("poll",) if profile.poll else (), f"poll: nothing asks for {name}"
    for index, poll in enumerate(profile.poll):
        where: Where = ("poll", index)
        if poll.answer not in names:
            yield (
                (*where, "answer"),
                f"poll: unknown telemetry message {poll.answer!r}{nearest(poll.answer, names)}",
            )
        if poll.every <= 0.0:
            yield (*where, "every"), "poll: every: expected more than zero"
        if (poll.request is None) is not modbus:
            said = "has no request" if modbus else "needs its request"
            yield where, f"poll: a poll of a {profile.framing.kind} profile {said}"
        elif poll.request is not None:
            yield from _check_message(profile.framing, (*where, "request"), poll.request)


def _as_written(key: int | str) -> str:
    """A key as binary protocols give it, in hexadecimal digits, and in quotes on lines."""
    return f"0x{key:02X}" if isinstance(key, int) else repr(key)
