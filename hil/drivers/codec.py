"""Commands to payloads and payloads to messages, as a `LinkDescription` says.

    codec = Codec(description)
    payload = codec.encode("start", speed=-3000.0)
    sorted_ = codec.sort(frames)            # Sorted(telemetry, messages, bad)
    batch = codec.telemetry(frames)         # Batch(values, board_time, lost, good, bad)

Payloads are what a framing carries: fields split by the separator on lines; an id byte and packed
fields in COBS blocks. Telemetry is decoded in bulk, as one matrix of raw numbers.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from hil.core.trace import FloatArray
from hil.drivers.continuity import Continuity
from hil.drivers.fields import LETTERS, Columns, in_range, letter, to_raw, to_text
from hil.drivers.framing.base import Reject
from hil.ports.link import FieldSpec, LinkDescription, MessageSpec


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
    """Payloads told apart: telemetry still packed, messages decoded, and what is neither."""

    telemetry: list[bytes] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    bad: list[Reject] = field(default_factory=list)


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """Decoded telemetry.

    values : channel -> shape (n,), canonical; board_time : shape (n,), s, unwrapped, NaN without;
    lost : frames missing by the sequence counter; good : shape (m,) of bool, which of the payloads
    given decoded (n of m); bad : texts about the others.
    """

    values: Mapping[str, FloatArray]
    board_time: FloatArray
    lost: int
    good: np.ndarray[tuple[int], np.dtype[np.bool_]]
    bad: list[str] = field(default_factory=list)


class Codec:
    """Encodes and decodes by a link profile.

    Raises
    ------
    ValueError
        If the description contradicts itself, e.g. a text key in a binary protocol.
    """

    def __init__(self, description: LinkDescription) -> None:
        self._binary = description.framing.kind == "cobs"
        self._order = "<" if description.framing.byte_order == "little" else ">"
        self._separator = description.framing.separator.encode("ascii")
        self._commands = description.commands
        self._by_command_key = {self._key_text(m): name for name, m in description.commands.items()}
        telemetry = description.messages["telemetry"]
        self._telemetry = telemetry
        self._others = {
            self._key(message): message
            for name, message in description.messages.items()
            if name != "telemetry"
        }
        if self._key(telemetry) in self._others:
            raise ValueError(f"key {telemetry.key!r} stands for telemetry and another message")
        for message in (*description.messages.values(), *description.commands.values()):
            if self._binary:
                self._struct(message)
        self._prefix = self._key(telemetry) + (b"" if self._binary else self._separator)
        self._numbers = tuple(f for f in telemetry.fields if f.type != "text")
        self._has_float = any(f.type == "f32" for f in self._numbers)
        self._row = self._number_struct(telemetry)
        self._columns = Columns(self._numbers)
        self._channels = [
            (spec.channel, index) for index, spec in enumerate(self._numbers) if spec.channel
        ]
        self.continuity = Continuity(self._numbers)

    # ------------------------------------------------------------------ commands

    def encode(self, command: str, **arguments: float | str) -> bytes:
        """Payload of a command; arguments by role: ``speed`` in rpm, ``sensing``, ``rate`` in Hz.

        Raises
        ------
        ValueError
            If an argument is missing, unknown to the profile or does not fit its field.
        """
        message = self._commands[command]
        raw = []
        for spec in message.fields:
            if spec.role not in arguments:
                raise ValueError(f"{command}: nothing to put into field {spec.name!r}")
            raw.append(to_raw(spec, arguments[spec.role]))
        if self._binary:
            try:
                return self._key(message) + self._struct(message).pack(*raw)
            except (struct.error, OverflowError) as error:
                raise ValueError(f"{command}: {arguments!r} does not fit: {error}") from error
        words = [to_text(spec, number) for spec, number in zip(message.fields, raw, strict=True)]
        return self._separator.join((self._key(message), *(word.encode("ascii") for word in words)))

    # ------------------------------------------------------------------ messages

    def sort(self, frames: Sequence[bytes]) -> Sorted:
        """Tell telemetry from other messages, and decode those; never raises on bad bytes."""
        prefix = self._prefix
        telemetry = [frame for frame in frames if frame.startswith(prefix)]
        result = Sorted(telemetry)
        if len(telemetry) == len(frames):
            return result
        for frame in frames:
            if frame.startswith(prefix):
                continue
            found = self._message(frame)
            if isinstance(found, Message):
                result.messages.append(found)
            else:
                result.bad.append(found)
        return result

    def _message(self, frame: bytes) -> Message | Reject:
        key = frame[:1] if self._binary else frame.split(self._separator, 1)[0]
        message = self._others.get(key)
        if message is None:
            return Reject(frame, f"unknown message {key!r}")
        raw = self._unpack(message, frame)
        if isinstance(raw, str):
            return Reject(frame, f"{message.name}: {raw}")
        fields: dict[str, float | str] = {}
        roles: dict[str, float | str] = {}
        command = ""
        for spec, item in zip(message.fields, raw, strict=True):
            value: float | str = item
            if spec.role == "command":
                text = item if isinstance(item, str) else str(int(item))
                command = self._by_command_key.get(text, "")
            elif not isinstance(item, str):
                value = float(Columns((spec,)).convert(np.array([[float(item)]]), [])[0, 0])
            fields[spec.name] = value
            if spec.role:
                roles[spec.role] = value
        return Message(message.name, fields, roles, command)

    def _unpack(self, message: MessageSpec, frame: bytes) -> list[float | str] | str:
        """Raw values of the fields, or what is wrong."""
        if self._binary:
            layout = self._struct(message)
            if len(frame) != layout.size + 1:
                return f"{len(frame)} bytes, expected {layout.size + 1}"
            return [
                item.split(b"\x00", 1)[0].decode("ascii", "backslashreplace")
                if isinstance(item, bytes)
                else item
                for item in layout.unpack_from(frame, 1)
            ]
        words = frame.decode("ascii", "backslashreplace").split(self._separator.decode("ascii"))
        if len(words) != len(message.fields) + 1:
            return f"{len(words) - 1} fields, expected {len(message.fields)}"
        out: list[float | str] = []
        for spec, word in zip(message.fields, words[1:], strict=True):
            if spec.type == "text":
                out.append(word)
                continue
            try:
                number = float(word)
            except ValueError:
                return f"{spec.name}: {word!r} is not a number"
            if "_" in word or not in_range(spec, [number]):
                return f"{spec.name}: {word!r} is not a number of type {spec.type}"
            out.append(number)
        return out

    # ------------------------------------------------------------------ telemetry

    def telemetry(self, frames: Sequence[bytes]) -> Batch:
        """Decode telemetry payloads in one go, in order of arrival; never raises on bad bytes."""
        good = np.ones(len(frames), dtype=np.bool_)
        bad: list[str] = []
        raw = (
            self._binary_rows(frames, good, bad)
            if self._binary
            else self._text_rows(frames, good, bad)
        )
        columns = np.ascontiguousarray(raw.T)
        canonical = self._columns.convert(columns, bad)
        values = {channel: canonical[index] for channel, index in self._channels}
        board_time, lost = self.continuity.follow(columns)
        return Batch(values, board_time, lost, good, bad)

    def _binary_rows(
        self,
        frames: Sequence[bytes],
        good: np.ndarray[tuple[int], np.dtype[np.bool_]],
        bad: list[str],
    ) -> FloatArray:
        size = self._row.size
        if set(map(len, frames)) - {size}:
            for index, frame in enumerate(frames):
                if len(frame) != size:
                    good[index] = False
                    reason = f"telemetry: {len(frame)} bytes, expected {size}"
                    bad.append(str(Reject(frame, reason)))
            frames = [frame for frame, fits in zip(frames, good, strict=True) if fits]
        rows = list(self._row.iter_unpack(b"".join(frames)))
        matrix = np.array(rows, dtype=np.float64).reshape(len(rows), len(self._numbers))
        if self._has_float:
            # a float field that is not finite is a value that is missing, not a broken frame
            matrix[~np.isfinite(matrix)] = np.nan
        return matrix

    def _text_rows(
        self,
        frames: Sequence[bytes],
        good: np.ndarray[tuple[int], np.dtype[np.bool_]],
        bad: list[str],
    ) -> FloatArray:
        separator, width = self._separator, len(self._telemetry.fields)
        plain = len(self._numbers) == width
        if plain and frames and all(frame.count(separator) == width for frame in frames):
            body = separator.join(frames)
            parts = body.split(separator)
            del parts[:: width + 1]
            try:
                matrix = np.array(list(map(float, parts))).reshape(len(frames), width)
            except ValueError:
                pass
            else:
                if b"_" not in body and self._fits(matrix):
                    return matrix
        rows = []
        for index, frame in enumerate(frames):
            raw = self._unpack(self._telemetry, frame)
            if isinstance(raw, str):
                good[index] = False
                bad.append(str(Reject(frame, f"telemetry: {raw}")))
            else:
                rows.append([item for item in raw if not isinstance(item, str)])
        return np.array(rows, dtype=np.float64).reshape(len(rows), len(self._numbers))

    def _fits(self, matrix: FloatArray) -> bool:
        if not bool(np.isfinite(matrix).all()):
            return False
        return all(
            in_range(spec, matrix[:, index])
            for index, spec in enumerate(self._numbers)
            if spec.type != "number"
        )

    # ------------------------------------------------------------------ layout

    def _key(self, message: MessageSpec) -> bytes:
        key = message.key
        if self._binary:
            if not isinstance(key, int) or not 0 <= key <= 255:
                raise ValueError(f"message {message.name!r}: key {key!r}, expected 0 to 255")
            return bytes([key])
        if not isinstance(key, str) or not key.isascii() or not key:
            raise ValueError(f"message {message.name!r}: key {key!r}, expected a word")
        return key.encode("ascii")

    def _key_text(self, message: MessageSpec) -> str:
        self._key(message)
        return str(message.key)

    def _struct(self, message: MessageSpec) -> struct.Struct:
        return struct.Struct(self._order + "".join(letter(spec) for spec in message.fields))

    def _number_struct(self, message: MessageSpec) -> struct.Struct:
        """Layout of a telemetry payload with its key and its texts as padding."""
        if not self._binary:
            return struct.Struct("")
        parts = [self._pad_or_letter(spec) for spec in message.fields]
        return struct.Struct(self._order + "x" + "".join(parts))

    @staticmethod
    def _pad_or_letter(spec: FieldSpec) -> str:
        return f"{spec.size}x" if spec.type == "text" else LETTERS[spec.type]
