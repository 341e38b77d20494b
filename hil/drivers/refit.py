"""Which other word in a link profile would make frames of bytes that do not decode.

    refitted(spec, data)        # "checksum: CRC-16/IBM-3740", or "" if nothing is that clear

A checksum of another name, its bytes in the other order, a length that counts something else: each
leaves every frame undecoded and shows nothing but numbers that differ. One change alone is tried,
with the order of the checksum's bytes beside its name, and it has to explain nearly every byte.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Literal

from hil.drivers.framing.checksum import PLAIN, find_checksum, of_catalogue
from hil.drivers.framing.make import make_framing
from hil.ports.link import FramingSpec

#: So much is looked at: some dozens of frames.
ENOUGH = 2048
#: Fewer frames may fit by chance: one in 65536 does, for each name that is tried.
FRAMES = 3
#: So many groups of bytes are tried as those that frames begin with.
OFTEN = 16
#: What the catalogue of CRCs tells them apart by: the same one has several names.
CHECKED = b"123456789"
#: Share of the bytes that may belong to no frame, the longest such piece left aside: at the
#: beginning a frame is cut in two. Two bytes of a checksum that nobody expects are more than that.
LEFT = 0.03


def refitted(spec: FramingSpec, data: bytes) -> str:
    """Words for the profile's framing under which nearly all of `data` are frames.

    "" if they are so already, if nothing makes them so, or if two changes do.
    """
    data = data[:ENOUGH]
    if _fits(spec, data):
        return ""
    sure: list[str] = []  # frames whose checksum holds; without one anything may be a frame
    other: list[str] = []
    for words, changed in (*_others(spec), *_synced(spec, data)):
        if _fits(changed, data):
            (sure if changed.checksum else other).append(words)
    found = sure or other
    return found[0] if len(found) == 1 else ""


def absent_start(spec: FramingSpec, data: bytes) -> str:
    """The bytes that every frame begins with, in hexadecimal digits, if they are not in `data`."""
    first = {"length": spec.sync, "delimited": spec.start, "lines": spec.begin}.get(spec.kind, b"")
    return "" if not first or first in data else first.hex(" ")


def _fits(spec: FramingSpec, data: bytes) -> bool:
    try:
        cut = make_framing(spec).feed(data)
    except ValueError:  # a name that does not go with the rest
        return False
    left = [len(reject.data) for reject in cut.rejects]
    return len(cut.frames) >= FRAMES and sum(left) - max(left, default=0) <= LEFT * len(data)


def _others(spec: FramingSpec) -> Iterator[tuple[str, FramingSpec]]:
    """The spec with one thing changed, and the words that a profile says it with."""
    names = _names(spec)
    for name in names:
        yield f"checksum: {name}", replace(spec, checksum=name)
    if spec.checksum:
        yield "no checksum", replace(spec, checksum="")
    if spec.binary:
        yield from _turned(spec, names)
    if spec.kind in ("length", "delimited"):
        for covers in ("message", "after-sync", "frame"):
            yield f"covers: {covers}", replace(spec, covers=covers)
    if spec.kind == "length":
        for counts in ("message", "rest", "rest-and-checksum", "frame"):
            yield f"length: counts: {counts}", replace(spec, length_counts=counts)
        for at in range(4):
            yield f"length: at: {at}", replace(spec, length_at=at)
        for size in (1, 2, 4):
            yield f"length: size: {size}", replace(spec, length_size=size)


def _synced(spec: FramingSpec, data: bytes) -> Iterator[tuple[str, FramingSpec]]:
    """Other sync bytes, as many, of those that come most often; only a checksum proves them."""
    size = len(spec.sync)
    if spec.kind != "length" or not size or not spec.checksum:
        return
    often = Counter(data[at : at + size] for at in range(len(data) - size + 1))
    for sync, _count in often.most_common(OFTEN):
        words = ", ".join(f"0x{byte:02X}" for byte in sync)
        yield f"sync: [{words}]", replace(spec, sync=sync)


def _turned(spec: FramingSpec, names: Sequence[str]) -> Iterator[tuple[str, FramingSpec]]:
    """The other order of bytes, by the key that the profile has for it, with each checksum."""
    turned: Literal["little", "big"] = "little" if spec.order_of_checksum == "big" else "big"
    if spec.checksum_order:
        words, over = f"checksum-order: {turned}", replace(spec, checksum_order=turned)
    else:
        words, over = f"byte-order: {turned}", replace(spec, byte_order=turned)
    yield words, over
    for name in names if spec.checksum else ():
        if find_checksum(name).size > 1:
            yield f"checksum: {name}, {words}", replace(over, checksum=name)


def _names(spec: FramingSpec) -> list[str]:
    """Every checksum but the one of the profile."""
    own = find_checksum(spec.checksum).compute(CHECKED) if spec.checksum else None
    others = map(find_checksum, (*PLAIN, *of_catalogue()))
    return [other.name for other in others if other.compute(CHECKED) != own]
