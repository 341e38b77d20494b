"""Checksums: CRCs by the names of the CRC catalogue (``CRC-16/IBM-3740``), XOR and sums."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from functools import reduce
from operator import xor
from typing import Literal


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum that fills whole bytes: `compute` gives the number, `size` is in bytes."""

    name: str
    size: int
    compute: Callable[[bytes], int]

    def pack(self, data: bytes, byte_order: Literal["little", "big"]) -> bytes:
        """The checksum of `data` as bytes."""
        return self.compute(data).to_bytes(self.size, byte_order)


#: Checksums that are no CRC. A negated sum makes the sum over data and checksum zero.
PLAIN = {
    found.name: found
    for found in (
        Checksum("XOR-8", 1, lambda data: reduce(xor, data, 0)),
        Checksum("SUM-8", 1, lambda data: sum(data) & 0xFF),
        Checksum("SUM-8/NEGATED", 1, lambda data: -sum(data) & 0xFF),
        Checksum("SUM-16", 2, lambda data: sum(data) & 0xFFFF),
        Checksum("SUM-16/NEGATED", 2, lambda data: -sum(data) & 0xFFFF),
    )
}


def find_checksum(name: str) -> Checksum:
    """Look a checksum up by its name.

    Raises
    ------
    ValueError
        If there is no such checksum, or it does not fill whole bytes.
    """
    import anycrc

    if name.upper() in PLAIN:
        return PLAIN[name.upper()]
    key = name.upper().replace("CRC-", "CRC", 1).replace("/", "-")
    key = anycrc.aliases.get(key, key)
    if key not in anycrc.models:
        near = get_close_matches(key, list(anycrc.models), n=3)
        near += get_close_matches(name.upper(), list(PLAIN), n=3)
        raise ValueError(
            f"checksum {name!r} is not in the CRC catalogue"
            + (f", nearest: {', '.join(near)}" if near else "")
        )
    width = int(anycrc.models[key].width)
    if width % 8:
        raise ValueError(f"checksum {name!r} has {width} bits, expected whole bytes")
    compute: Callable[[bytes], int] = anycrc.Model(key).calc
    return Checksum(name, width // 8, compute)


def of_catalogue() -> list[str]:
    """The CRCs that fill whole bytes, by name, without their further names."""
    import anycrc

    whole = [key.partition("-") for key, one in anycrc.models.items() if one.width % 8 == 0]
    return [f"CRC-{width.removeprefix('CRC')}/{name}" for width, _, name in whole]
