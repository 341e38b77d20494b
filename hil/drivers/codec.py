"""Commands to payloads and payloads to messages, as a `LinkDescription` says.

    codec = Codec(description)
    payload = codec.encode("start", speed=-3000.0)
    sorted_ = codec.sort(frames)            # Sorted(telemetry, messages, bad, others)
    batch = codec.telemetry(frames)         # Batch(values, board_time, lost, good, bad)

Payloads are what a framing carries: fields split by the separator on lines; a key and packed
fields in binary frames. Modbus has no payloads of this kind, see `hil.drivers.modbus`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.drivers.fields import Columns, Parts, leaves, to_raw
from hil.drivers.framing.base import SHOWN, Reject, readable
from hil.drivers.layout import Layout
from hil.drivers.telemetry import Batch, Telemetry
from hil.ports.link import LinkDescription, MessageSpec

__all__ = ["Batch", "Codec", "Message", "Sorted", "arguments_to_raw", "read_message"]


@dataclass(frozen=True, slots=True)
class Message:
    """A decoded message other than telemetry.

    `fields` by name and `roles` by role, canonical numbers or texts; `command` is the name of the
    command answered (``start``), "" when the message names none that the profile knows.
    """

    name: str
    fields: Mapping[str, float | str] = field(default_factory=dict)
    roles: Mapping[str, float | str] = field(default_factory=dict)
    command: str = ""


@dataclass(frozen=True, slots=True)
class Sorted:
    """Payloads told apart: telemetry still packed, messages decoded, and what is neither.

    `others`: payloads of further telemetry messages by their names; `unmatched`: those that by
    their key, or as lines of telemetry without one, are no message of the profile.
    """

    telemetry: list[bytes] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    bad: list[Reject] = field(default_factory=list)
    others: dict[str, list[bytes]] = field(default_factory=dict)
    unmatched: list[bytes] = field(default_factory=list)


def arguments_to_raw(
    command: str, message: MessageSpec, arguments: Mapping[str, float | str]
) -> list[int | float | str]:
    """Raw values of the fields of a command; `arguments` by role.

    A signed ``speed`` also serves fields of the roles ``magnitude`` and ``direction``.

    Raises
    ------
    ValueError
        If an argument is missing, unknown to the profile or does not fit its field.
    """
    given = dict(arguments)
    speed = given.get("speed")
    if isinstance(speed, float | int):
        given |= {"magnitude": abs(speed), "direction": "ccw" if speed < 0.0 else "cw"}
    raw: list[int | float | str] = []
    for spec in message.fields:
        if spec.constant is not None:
            whole = float(spec.constant).is_integer()
            raw.append(int(spec.constant) if whole else spec.constant)
        elif spec.role not in given:
            raise ValueError(f"{command}: nothing to put into field {spec.name!r}")
        else:
            raw.append(to_raw(spec, given[spec.role]))
    return raw


def read_message(
    message: MessageSpec, raw: Sequence[float | str], commands: Mapping[str, str], command: str = ""
) -> Message:
    """A message from its raw values; `commands` names the command of each key, as text."""
    fields: dict[str, float | str] = {}
    roles: dict[str, float | str] = {}
    for whole, item in zip(message.fields, raw, strict=True):
        if isinstance(item, str):
            found: list[float | str] = [item]
        else:
            rows = Parts((whole,)).spread(np.array([[float(item)]]))
            columns = Columns(leaves((whole,))).convert(rows, [])
            found = [
                _in_words(spec.words, float(row[0]), float(value[0]))
                for spec, row, value in zip(leaves((whole,)), rows, columns, strict=True)
            ]
        for spec, entry in zip((whole, *whole.parts), found, strict=False):
            value = entry
            if spec.role == "command":
                text = entry if isinstance(entry, str) else f"{entry:.0f}"
                command, value = commands.get(text, ""), entry
            fields[spec.name] = value
            if spec.role:
                roles[spec.role] = value
    return Message(message.name, fields, roles, command)


def _in_words(words: Mapping[int, str], raw: float, value: float) -> str | float:
    if not words or math.isnan(value):
        return value
    return words.get(int(raw), f"unknown code {raw:g}")


class Codec:
    """Encodes and decodes by a link profile.

    Raises
    ------
    ValueError
        If the description contradicts itself, e.g. a text key in a binary protocol.
    """

    def __init__(self, description: LinkDescription) -> None:
        self._layout = layout = Layout(description.framing)
        self._commands = description.commands
        # Of commands that are one to the board (see `same`) the first stands for all.
        self._by_command_key: dict[str, str] = {}
        for name, command in description.commands.items():
            self._by_command_key.setdefault(str(command.key), name)
        telemetry = description.messages["telemetry"]
        self._separators = len(telemetry.fields) - 1  # in a line of telemetry without a key
        self._prefix = b""
        if telemetry.key != "" or layout.binary:
            self._prefix = layout.key("telemetry", telemetry.key)
            self._prefix += b"" if layout.binary else layout.separator
        self._main = Telemetry(telemetry, layout)
        self._further = {
            name: Telemetry(message, layout)
            for name, message in description.messages.items()
            if name.startswith("telemetry-")
        }
        self._others: dict[bytes, tuple[MessageSpec, str]] = {}
        for name, message in description.messages.items():
            if name != "telemetry":
                self._take(message, message.key, "")
        for name, command in description.commands.items():
            layout.key(name, command.key)
            if command.reply is not None and "done" in description.messages:
                self._take(description.messages["done"], command.reply, name)
        if self._prefix and layout.head(self._prefix) in self._others:
            raise ValueError(f"key {telemetry.key!r} stands for telemetry and another message")
        for message in (*description.messages.values(), *description.commands.values()):
            if layout.binary:
                layout.fields(message)
        self.continuity = self._main.continuity

    def _take(self, message: MessageSpec, key: str | int, command: str) -> None:
        head = self._layout.key(message.name, key)
        if head in self._others and self._others[head][0] is not message:
            raise ValueError(f"key {key!r} stands for {message.name} and another message")
        # one key for the answers to several commands leaves open which one was answered
        self._others[head] = (message, "" if head in self._others else command)

    # ------------------------------------------------------------------ commands

    def encode(self, command: str, **arguments: float | str) -> bytes:
        """Payload of a command; arguments by role: ``speed`` in rpm, ``sensing``, ``rate`` in Hz.

        Raises
        ------
        ValueError
            If an argument is missing, unknown to the profile or does not fit its field.
        """
        return self.encode_message(command, self._commands[command], **arguments)

    def same(self, one: str, other: str) -> bool:
        """Whether two commands are one to the board: then its answer tells no difference."""
        commands = self._commands
        return one == other or (
            one in commands and other in commands and commands[one].key == commands[other].key
        )

    def encode_message(self, name: str, message: MessageSpec, **arguments: float | str) -> bytes:
        """Payload of any message to the board, such as the request of a poll; see `encode`."""
        raw = arguments_to_raw(name, message, arguments)
        try:
            return self._layout.pack(self._layout.key(name, message.key), message.fields, raw)
        except ValueError as error:
            raise ValueError(f"{name}: {error}") from error

    # ------------------------------------------------------------------ messages

    def sort(self, frames: Sequence[bytes]) -> Sorted:
        """Tell telemetry from other messages, and decode those; never raises on bad bytes."""
        prefix = self._prefix
        if not prefix:
            return self._sort_by_exclusion(frames)
        telemetry = [frame for frame in frames if frame.startswith(prefix)]
        result = Sorted(telemetry)
        if len(telemetry) == len(frames):
            return result
        for frame in frames:
            if not frame.startswith(prefix):
                self._place(frame, result)
        return result

    def _sort_by_exclusion(self, frames: Sequence[bytes]) -> Sorted:
        """Telemetry lines have no key: they are what is no other message.

        With another number of fields they may be a message whose key the profile has wrong.
        """
        result = Sorted()
        for frame in frames:
            if self._layout.head(frame) in self._others:
                self._place(frame, result)
            else:
                result.telemetry.append(frame)
                if frame.count(self._layout.separator) != self._separators:
                    result.unmatched.append(frame)
        return result

    def _place(self, frame: bytes, result: Sorted) -> None:
        key = self._layout.head(frame)
        message, command = self._others.get(key, (None, ""))
        if message is None:
            name = readable(key) if isinstance(key, bytes) else str(key)
            result.bad.append(Reject(frame, f"unknown message {name}"))
            result.unmatched.append(frame)
        elif message.name in self._further:
            result.others.setdefault(message.name, []).append(frame)
        else:
            raw = self._layout.unpack(message, frame)
            if isinstance(raw, str):
                result.bad.append(Reject(frame, f"{message.name}: {raw}"))
            else:
                result.messages.append(read_message(message, raw, self._by_command_key, command))

    def shown(self, frame: bytes) -> str:
        """A payload as people can read it: the text of a line, the bytes of a binary frame."""
        head, more = frame[:SHOWN], " ..." if len(frame) > SHOWN else ""
        if self._layout.binary:
            return f"bytes {head.hex(' ')}{more}"
        return repr(head.decode("ascii", "backslashreplace") + more)

    # ------------------------------------------------------------------ telemetry

    def telemetry(
        self, frames: Sequence[bytes], host_time: float | None = None, name: str = "telemetry"
    ) -> Batch:
        """Decode payloads of one telemetry message, in order of arrival; never raises on bad bytes.

        `host_time` is when the first of them arrived, s; see `Continuity.follow`.
        """
        decoder = self._main if name == "telemetry" else self._further[name]
        return decoder.decode(frames, host_time)

    def restart(self) -> None:
        """Expect sequence counters to start anywhere, as after switching the stream on."""
        for decoder in (self._main, *self._further.values()):
            decoder.continuity.restart()
