"""Where fields lie in a payload: key and separated words on lines, key and packed bytes else."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from hil.drivers.fields import from_text, letter, to_text
from hil.ports.link import FieldSpec, FramingSpec, MessageSpec


class Layout:
    """Packs and unpacks raw values by the framing's rules.

    `binary` and `separator` are those of the framing.
    """

    def __init__(self, framing: FramingSpec) -> None:
        self.binary = framing.binary
        self.separator = framing.separator.encode("ascii")
        self.key_size = framing.key_size
        self._byte_order = framing.byte_order
        self._order = "<" if framing.byte_order == "little" else ">"

    def key(self, name: str, key: str | int) -> bytes:
        """The bytes a message with this key starts with.

        Raises
        ------
        ValueError
            If the key is of the wrong kind or too large.
        """
        if self.binary:
            top = (1 << 8 * self.key_size) - 1
            if not isinstance(key, int) or not 0 <= key <= top:
                raise ValueError(f"message {name!r}: key {key!r}, expected 0 to {top}")
            return key.to_bytes(self.key_size, self._byte_order)
        if not isinstance(key, str) or not key.isascii() or not key:
            raise ValueError(f"message {name!r}: key {key!r}, expected a word")
        return key.encode("ascii")

    def head(self, frame: bytes) -> bytes:
        """The part of a payload that is compared with the keys."""
        if self.binary:
            return frame[: self.key_size]
        return frame.split(self.separator, 1)[0]

    def fields(self, message: MessageSpec) -> struct.Struct:
        """Layout of the fields of a binary message, without its key."""
        return struct.Struct(self._order + "".join(letter(spec) for spec in message.fields))

    def row(self, message: MessageSpec) -> struct.Struct:
        """Layout of a binary payload with its key and its texts as padding."""
        if not self.binary:
            return struct.Struct("")
        parts = [f"{s.size}x" if s.type == "text" else letter(s) for s in message.fields]
        return struct.Struct(f"{self._order}{self.key_size}x{''.join(parts)}")

    def pack(self, key: bytes, fields: Sequence[FieldSpec], raw: Sequence[float | str]) -> bytes:
        """Payload of raw values.

        Raises
        ------
        ValueError
            If a value does not fit its field.
        """
        if self.binary:
            message = MessageSpec(name="", key="", fields=tuple(fields))
            packed = [v.encode("ascii") if isinstance(v, str) else v for v in raw]
            try:
                return key + self.fields(message).pack(*packed)
            except (struct.error, OverflowError) as error:
                raise ValueError(f"{list(raw)!r} does not fit: {error}") from error
        words = [
            value if isinstance(value, str) else to_text(spec, value)
            for spec, value in zip(fields, raw, strict=True)
        ]
        return self.separator.join([*([key] if key else []), *(w.encode("ascii") for w in words)])

    def unpack(self, message: MessageSpec, frame: bytes) -> list[float | str] | str:
        """Raw values of the fields of a payload, or what is wrong with it."""
        if self.binary:
            layout = self.fields(message)
            if len(frame) != layout.size + self.key_size:
                return f"{len(frame)} bytes, expected {layout.size + self.key_size}"
            return [
                item.split(b"\x00", 1)[0].decode("ascii", "backslashreplace")
                if isinstance(item, bytes)
                else item
                for item in layout.unpack_from(frame, self.key_size)
            ]
        words = frame.decode("ascii", "backslashreplace").split(self.separator.decode("ascii"))
        if message.key != "":
            del words[0]
        if len(words) != len(message.fields):
            return f"{len(words)} fields, expected {len(message.fields)}"
        try:
            return [from_text(s, word) for s, word in zip(message.fields, words, strict=True)]
        except ValueError as error:
            return str(error)
