"""Checksums by the names of the CRC catalogue, e.g. ``CRC-16/IBM-3740``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal


@dataclass(frozen=True, slots=True)
class Checksum:
    """A CRC that fills whole bytes: `compute` gives the number, `size` is in bytes."""

    name: str
    size: int
    compute: Callable[[bytes], int]

    def pack(self, data: bytes, byte_order: Literal["little", "big"]) -> bytes:
        """The CRC of `data` as bytes."""
        return self.compute(data).to_bytes(self.size, byte_order)


def find_checksum(name: str) -> Checksum:
    """Look a CRC up by its catalogue name.

    Raises
    ------
    ValueError
        If the catalogue has no such CRC, or it does not fill whole bytes.
    """
    import anycrc

    key = name.upper().replace("CRC-", "CRC", 1).replace("/", "-")
    key = anycrc.aliases.get(key, key)
    if key not in anycrc.models:
        near = get_close_matches(key, list(anycrc.models), n=3)
        raise ValueError(
            f"checksum {name!r} is not in the CRC catalogue"
            + (f", nearest: {', '.join(near)}" if near else "")
        )
    width = int(anycrc.models[key].width)
    if width % 8:
        raise ValueError(f"checksum {name!r} has {width} bits, expected whole bytes")
    compute: Callable[[bytes], int] = anycrc.Model(key).calc
    return Checksum(name, width // 8, compute)
