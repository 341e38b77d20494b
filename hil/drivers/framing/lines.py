"""Text lines: ``payload*HHHH`` and a terminator; ``*HHHH`` only if the profile names a checksum."""

from __future__ import annotations

from hil.drivers.framing.base import Cut, Reject, Splitter
from hil.drivers.framing.checksum import find_checksum
from hil.ports.link import FramingSpec

#: Bytes a message may consist of; telling them apart this way costs one call a line.
PRINTABLE = bytes(range(0x20, 0x7F))


class LineFraming:
    """Lines of printable ASCII. Empty lines and a carriage return before the end are let pass."""

    def __init__(self, spec: FramingSpec) -> None:
        self._spec = spec
        self._checksum = find_checksum(spec.checksum) if spec.checksum else None
        self._splitter = Splitter(spec.terminator, spec.longest)

    def feed(self, data: bytes) -> Cut:
        """Take what arrived and return what is complete; never raises on bad bytes."""
        cut = Cut()
        frames, rejects = cut.frames, cut.rejects
        lines = self._splitter.split(data, rejects)
        check = self._checksum
        for raw in lines:
            line = raw[:-1] if raw.endswith(b"\r") else raw
            if not line:
                continue
            if check is None:
                payload = line
            else:
                payload, star, digits = line.rpartition(b"*")
                # compared as text: upper-case digits only, and exactly as many as the CRC has
                if not star:
                    rejects.append(Reject(line, "no checksum"))
                    continue
                computed = check.compute(payload)
                if digits != b"%0*X" % (2 * check.size, computed):
                    rejects.append(self._mismatch(line, digits, computed))
                    continue
            if payload.translate(None, PRINTABLE):
                rejects.append(Reject(line, "not printable ASCII"))
            elif not payload:
                rejects.append(Reject(line, "empty message"))
            else:
                frames.append(payload)
        return cut

    def _mismatch(self, line: bytes, digits: bytes, computed: int) -> Reject:
        found = digits.decode("ascii", "backslashreplace")
        width = 2 * self._checksum.size if self._checksum else 0
        return Reject(line, f"checksum {found!r}, expected {computed:0{width}X}")

    def encode(self, payload: bytes) -> bytes:
        """One line; ValueError if `payload` is empty, not printable ASCII or too long."""
        if not payload or payload.translate(None, PRINTABLE):
            raise ValueError(f"a line must be printable ASCII, found {payload!r}")
        line = payload
        if self._checksum is not None:
            line += b"*%0*X" % (2 * self._checksum.size, self._checksum.compute(payload))
        if self._spec.terminator in line:
            raise ValueError(f"a line must not contain its terminator, found {payload!r}")
        if len(line) > self._spec.longest:
            raise ValueError(f"a line of {len(line)} bytes, at most {self._spec.longest} allowed")
        return line + self._spec.terminator
