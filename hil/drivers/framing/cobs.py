"""COBS blocks (Cheshire & Baker, IEEE/ACM ToN 7(2), 1999) ended by a zero byte, CRC inside."""

from __future__ import annotations

from cobs import cobs

from hil.drivers.framing.base import Cut, Reject, Splitter
from hil.drivers.framing.checksum import find_checksum
from hil.ports.link import FramingSpec


class CobsFraming:
    """``COBS(payload + CRC) 00``. Zero bytes between frames are let pass: they flush the line."""

    def __init__(self, spec: FramingSpec) -> None:
        self._spec = spec
        self._checksum = find_checksum(spec.checksum) if spec.checksum else None
        self._splitter = Splitter(b"\x00", spec.longest)

    def feed(self, data: bytes) -> Cut:
        """Take what arrived and return what is complete; never raises on bad bytes."""
        cut = Cut()
        frames, rejects = cut.frames, cut.rejects
        blocks = self._splitter.split(data, rejects)
        check, order = self._checksum, self._spec.byte_order
        size = check.size if check else 0
        decode = cobs.decode
        for block in blocks:
            if not block:
                continue
            try:
                content = decode(block)
            except cobs.DecodeError as error:
                rejects.append(Reject(block, f"not a COBS block ({error})"))
                continue
            if len(content) <= size:
                rejects.append(Reject(block, f"{len(content)} bytes, too short for a message"))
                continue
            if check is None:
                frames.append(content)
                continue
            payload = content[:-size]
            found, computed = int.from_bytes(content[-size:], order), check.compute(payload)
            if found != computed:
                digits = 2 * size
                reason = f"checksum {found:0{digits}X}, expected {computed:0{digits}X}"
                rejects.append(Reject(block, reason))
                continue
            frames.append(payload)
        return cut

    def encode(self, payload: bytes) -> bytes:
        """One block and its zero byte; ValueError if `payload` is empty or too long."""
        if not payload:
            raise ValueError("an empty message cannot be sent")
        check = self._checksum
        content = payload + check.pack(payload, self._spec.byte_order) if check else payload
        block = bytes(cobs.encode(content))
        if len(block) > self._spec.longest:
            raise ValueError(f"a frame of {len(block)} bytes, at most {self._spec.longest} allowed")
        return block + b"\x00"
