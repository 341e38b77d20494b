"""Binary frames that say how long they are: sync bytes, a length field, content, a checksum."""

from __future__ import annotations

from hil.drivers.framing.base import Cut, Framing, Reject
from hil.drivers.framing.checksum import find_checksum
from hil.ports.link import FramingSpec


class LengthFraming(Framing):
    """``sync before length after checksum``, where ``before + after`` is the message.

    `before` are `FramingSpec.length_at` bytes, often none or the message's key. A frame that turns
    out wrong costs its first byte only: the search for sync goes on right behind it, so that frames
    which a false length swallowed are found again.

    Raises
    ------
    ValueError
        If there are neither sync bytes nor a checksum, or the length field has no possible size.
    """

    def __init__(self, spec: FramingSpec) -> None:
        if not spec.sync and not spec.checksum:
            raise ValueError("a length-prefixed framing needs sync bytes or a checksum")
        if spec.length_size not in (1, 2, 4):
            raise ValueError(f"a length field of {spec.length_size} bytes, expected 1, 2 or 4")
        self._spec = spec
        self._checksum = find_checksum(spec.checksum) if spec.checksum else None
        self._size = self._checksum.size if self._checksum else 0
        self._header = len(spec.sync) + spec.length_at + spec.length_size
        #: bytes of the frame that the length field does not count
        self._uncounted = {
            "message": len(spec.sync) + spec.length_size + self._size,
            "rest": self._header + self._size,
            "rest-and-checksum": self._header,
            "frame": 0,
        }[spec.length_counts]
        self._rest = b""

    def feed(self, data: bytes) -> Cut:
        """Take what arrived and return what is complete; never raises on bad bytes."""
        cut = Cut()
        buffer = self._rest + data
        spec, sync, header = self._spec, self._spec.sync, self._header
        skip, size, order = len(sync) + spec.length_at, self._size, spec.byte_order
        check, tail_order = self._checksum, spec.order_of_checksum
        covered_from = {"message": -1, "after-sync": len(sync), "frame": 0}[spec.covers]
        least, longest, one = (
            header + size + (spec.length_at == 0),
            spec.longest,
            header - skip == 1,
        )
        end, at = len(buffer), 0
        noise, reason = 0, "no sync bytes"
        while True:
            begin = buffer.find(sync, at)
            if begin < 0:
                begin = at = max(at, end - self._partial_sync(buffer))
                break
            if end - begin < header:
                break
            length = begin + skip
            total = self._uncounted + (
                buffer[length] if one else int.from_bytes(buffer[length : begin + header], order)
            )
            if not least <= total <= longest:
                reason = f"a frame of {total} bytes, expected {least} to {longest}"
                at = begin + 1
                continue
            if end - begin < total:
                break
            tail = begin + total - size
            message = buffer[begin + header : tail]
            if skip > len(sync):
                message = buffer[begin + len(sync) : length] + message
            if check is not None:
                computed = check.compute(
                    message if covered_from < 0 else buffer[begin + covered_from : tail]
                )
                found = int.from_bytes(buffer[tail : begin + total], tail_order)
                if found != computed:
                    digits = 2 * size
                    reason = f"checksum {found:0{digits}X}, expected {computed:0{digits}X}"
                    at = begin + 1
                    continue
            if noise < begin:
                cut.rejects.append(Reject(buffer[noise:begin], reason))
                reason = "no sync bytes"
            cut.frames.append(message)
            noise = at = begin + total
        if noise < begin:
            cut.rejects.append(Reject(buffer[noise:begin], reason))
        self._rest = buffer[begin:]
        return cut

    def _partial_sync(self, buffer: bytes) -> int:
        """How many bytes at the end may be the beginning of the sync bytes."""
        sync = self._spec.sync
        for count in range(len(sync) - 1, 0, -1):
            if buffer.endswith(sync[:count]):
                return count
        return 0

    def encode(self, payload: bytes) -> bytes:
        """One whole frame; ValueError if `payload` is empty, too short or too long."""
        spec, at = self._spec, self._spec.length_at
        if not payload or len(payload) < at:
            raise ValueError(f"a message of {len(payload)} bytes is too short for its framing")
        total = len(spec.sync) + spec.length_size + len(payload) + self._size
        counted = total - self._uncounted
        if total > spec.longest or counted >= 1 << 8 * spec.length_size:
            raise ValueError(f"a frame of {total} bytes, at most {spec.longest} allowed")
        length = counted.to_bytes(spec.length_size, spec.byte_order)
        body = payload[:at] + length + payload[at:]
        if self._checksum is not None:
            covered = {"message": payload, "after-sync": body, "frame": spec.sync + body}
            body += self._checksum.pack(covered[spec.covers], spec.order_of_checksum)
        return spec.sync + body
