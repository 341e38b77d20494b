"""What COBS, SLIP and delimited framings share: blocks up to a delimiter, a checksum inside."""

from __future__ import annotations

from collections.abc import Callable

from hil.drivers.framing.base import Cut, Framing, Reject, Splitter
from hil.drivers.framing.checksum import find_checksum
from hil.ports.link import FramingSpec


class BlockFraming(Framing):
    """Blocks ended by `delimiter`; empty ones are let pass, since they flush the line.

    Parameters
    ----------
    decode : content of a block; raises one of `failures` if it has none.
    encode : the block for a content; ValueError if it cannot be sent.
    covered : bytes outside the content that the checksum begins with.
    """

    def __init__(
        self,
        spec: FramingSpec,
        *,
        delimiter: bytes,
        decode: Callable[[bytes], bytes],
        encode: Callable[[bytes], bytes],
        failures: tuple[type[Exception], ...] = (ValueError,),
        what: str,
        covered: bytes = b"",
    ) -> None:
        self._spec, self._delimiter = spec, delimiter
        self._decode, self._encode, self._failures, self._what = decode, encode, failures, what
        self._checksum = find_checksum(spec.checksum) if spec.checksum else None
        self._covered = covered
        self._aside: list[Reject] = []  # what `decode` found beside the content
        self._splitter = Splitter(delimiter, spec.longest)

    def feed(self, data: bytes) -> Cut:
        """Take what arrived and return what is complete; never raises on bad bytes."""
        cut = Cut()
        frames, rejects = cut.frames, cut.rejects
        blocks = self._splitter.split(data, rejects)
        check, order, covered = self._checksum, self._spec.order_of_checksum, self._covered
        size = check.size if check else 0
        decode, failures = self._decode, self._failures
        for block in blocks:
            if not block:
                continue
            try:
                content = decode(block)
            except failures as error:
                rejects.append(Reject(block, f"{self._what} ({error})"))
                continue
            if len(content) <= size:
                rejects.append(Reject(block, f"{len(content)} bytes, too short for a message"))
                continue
            if check is None:
                frames.append(content)
                continue
            payload = content[:-size]
            computed = check.compute(covered + payload if covered else payload)
            found = int.from_bytes(content[-size:], order)
            if found != computed:
                digits = 2 * size
                reason = f"checksum {found:0{digits}X}, expected {computed:0{digits}X}"
                rejects.append(Reject(block, reason))
                continue
            frames.append(payload)
        if self._aside:
            rejects.extend(self._aside)
            self._aside.clear()
        return cut

    def encode(self, payload: bytes) -> bytes:
        """One block and its delimiter; ValueError if `payload` is empty or too long."""
        if not payload:
            raise ValueError("an empty message cannot be sent")
        check, content = self._checksum, payload
        if check is not None:
            content += check.pack(self._covered + payload, self._spec.order_of_checksum)
        block = self._encode(content)
        if len(block) > self._spec.longest:
            raise ValueError(f"a frame of {len(block)} bytes, at most {self._spec.longest} allowed")
        return block + self._delimiter
