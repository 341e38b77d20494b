"""Binary frames from start bytes to end bytes, with an escape byte or without."""

from __future__ import annotations

from hil.drivers.framing.base import Reject
from hil.drivers.framing.blocks import BlockFraming
from hil.ports.link import FramingSpec


class DelimitedFraming(BlockFraming):
    """``start content end``; what stands before the last `start` of a block is noise.

    With an escape byte, every start, end and escape byte of the content is sent as the escape byte
    and the byte xored with `FramingSpec.escape_xor`. Without one, a message that contains `start`
    or `end` cannot be sent, and one from the board is rejected.

    Raises
    ------
    ValueError
        If there is no end, or the escape byte is part of a delimiter or comes out of escaping.
    """

    def __init__(self, spec: FramingSpec) -> None:
        if not spec.end:
            raise ValueError("a delimited framing needs end bytes")
        self._start, self._end = spec.start, spec.end
        self._escape, self._xor = spec.escape, spec.escape_xor
        self._special = bytes(sorted({*spec.start, *spec.end, *self._escape_bytes()}))
        if self._escape is not None:
            if self._escape in (*spec.start, *spec.end):
                raise ValueError("the escape byte must be neither a start nor an end byte")
            if any(byte ^ self._xor in self._special for byte in self._special):
                raise ValueError(
                    f"escaping with xor {self._xor:#04x} makes a start, end or escape byte"
                )
        super().__init__(
            spec,
            delimiter=spec.end,
            decode=self._unwrap,
            encode=self._wrap,
            what="not a frame",
            covered=spec.start if spec.covers == "frame" else b"",
        )

    def _escape_bytes(self) -> bytes:
        return b"" if self._escape is None else bytes([self._escape])

    def _unwrap(self, block: bytes) -> bytes:
        if self._start and self._start != self._end:
            before, found, block = block.rpartition(self._start)
            if not found:
                raise ValueError("no start bytes")
            if before:
                # two frames, the first without its end: the second may be whole
                self._aside.append(Reject(before, "no end of frame before the next start"))
        if self._escape is None:
            return block
        first, *rest = block.split(self._escape_bytes())
        if not rest:
            return first
        if not all(rest):
            raise ValueError("an escape byte without a byte after it")
        xor = self._xor
        return first + b"".join(bytes([part[0] ^ xor]) + part[1:] for part in rest)

    def _wrap(self, content: bytes) -> bytes:
        if self._escape is None:
            for mark in (self._start, self._end):
                if mark and mark in content:
                    raise ValueError(f"a message with the delimiter {mark!r} in it cannot be sent")
            if self._start == self._end:
                return self._end + content
            return self._start + content
        out = bytearray()
        for byte in content:
            if byte in self._special:
                out += bytes([self._escape, byte ^ self._xor])
            else:
                out.append(byte)
        return self._start + bytes(out)
