"""COBS blocks (Cheshire & Baker, IEEE/ACM ToN 7(2), 1999) ended by a zero byte, CRC inside."""

from __future__ import annotations

from cobs import cobs

from hil.drivers.framing.blocks import BlockFraming
from hil.ports.link import FramingSpec


class CobsFraming(BlockFraming):
    """``COBS(payload + checksum) 00``."""

    def __init__(self, spec: FramingSpec) -> None:
        super().__init__(
            spec,
            delimiter=b"\x00",
            decode=cobs.decode,
            encode=lambda content: bytes(cobs.encode(content)),
            failures=(cobs.DecodeError,),
            what="not a COBS block",
        )
