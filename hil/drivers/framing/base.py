"""What every framing offers: bytes in, frames and rejects out, and the way back.

    framing = make_framing(FramingSpec(kind="cobs", checksum="CRC-16/IBM-3740"))
    cut = framing.feed(data)        # never raises on bad bytes
    cut.frames                      # payloads in order of arrival, checksum checked and removed
    cut.rejects                     # what did not decode, with the bytes and the reason
    framing.encode(payload)         # one whole frame, ready to be written

A framing keeps an unfinished frame between calls, at most `FramingSpec.longest` bytes of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

#: Bytes of a reject that are shown; a wrong baud rate can deliver a lot of them.
SHOWN = 24


def readable(data: bytes) -> str:
    """Bytes for a message: in quotes what is text, else in hexadecimal digits."""
    text = data.decode("ascii", "replace")
    return repr(text) if text.isprintable() and text.isascii() else data.hex(" ")


@dataclass(frozen=True, slots=True)
class Reject:
    """Bytes that did not decode, and why."""

    data: bytes
    reason: str

    def __str__(self) -> str:
        rest = f" ... {len(self.data)} bytes" if len(self.data) > SHOWN else ""
        return f"{self.reason}: {readable(self.data[:SHOWN])}{rest}"


@dataclass(frozen=True, slots=True)
class Cut:
    """Result of one feed: payloads and rejects, each in order of arrival."""

    frames: list[bytes] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)


class Framing(Protocol):
    """Cuts messages from a byte stream; finds the next whole one after garbage by itself."""

    def feed(self, data: bytes) -> Cut:
        """Take what arrived and return what is complete."""

    def encode(self, payload: bytes) -> bytes:
        """One frame around `payload`; ValueError if it cannot be sent or is too long."""

    def sent(self, data: bytes) -> None:
        """Told of every frame that was written, for lines that the board echoes."""


class Splitter:
    """Splits a stream at a delimiter and drops what grows beyond `longest` without one."""

    def __init__(self, delimiter: bytes, longest: int) -> None:
        if not delimiter:
            raise ValueError("a framing needs a delimiter of at least one byte")
        self._delimiter, self._longest = delimiter, longest
        self._rest = b""
        self._skipping = False

    def split(self, data: bytes, rejects: list[Reject]) -> list[bytes]:
        """Whole blocks without their delimiter; overlong ones go to `rejects`."""
        blocks = (self._rest + data).split(self._delimiter)
        rest = blocks.pop()
        if self._skipping and blocks:
            # the tail of a block whose beginning was already rejected
            del blocks[0]
            self._skipping = False
        longest = self._longest
        if blocks and max(map(len, blocks)) > longest:
            for block in blocks:
                if len(block) > longest:
                    rejects.append(Reject(block[:longest], self._too_long(len(block))))
            blocks = [block for block in blocks if len(block) <= longest]
        # a delimiter of several bytes may be cut in two by the read: keep its first part
        keep = len(self._delimiter) - 1
        if self._skipping:
            rest = rest[-keep:] if keep else b""
        elif len(rest) > longest + keep:
            rejects.append(Reject(rest[:longest], self._too_long(len(rest))))
            rest, self._skipping = rest[-keep:] if keep else b"", True
        self._rest = rest
        return blocks

    def _too_long(self, found: int) -> str:
        return f"no end of frame within {self._longest} bytes ({found} arrived)"
