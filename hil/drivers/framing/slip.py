"""SLIP (RFC 1055): blocks ended by END, with END and ESC inside replaced by pairs."""

from __future__ import annotations

from hil.drivers.framing.blocks import BlockFraming
from hil.ports.link import FramingSpec

#: RFC 1055: END 300, ESC 333, ESC_END 334, ESC_ESC 335 (octal).
END, ESC = b"\xc0", b"\xdb"
ESCAPED_END, ESCAPED_ESC = b"\xdb\xdc", b"\xdb\xdd"


def decode(block: bytes) -> bytes:
    """Content of a block without its END.

    Raises
    ------
    ValueError
        If an ESC is followed by anything that RFC 1055 does not name.
    """
    escapes = block.count(ESC)
    if not escapes:
        return block
    if escapes != block.count(ESCAPED_END) + block.count(ESCAPED_ESC):
        raise ValueError("an ESC byte without ESC_END or ESC_ESC after it")
    # no ESC is the second byte of a pair, so that neither replacement can make a false pair
    return block.replace(ESCAPED_END, END).replace(ESCAPED_ESC, ESC)


def encode(content: bytes) -> bytes:
    """Block of a content, without its END."""
    return content.replace(ESC, ESCAPED_ESC).replace(END, ESCAPED_END)


class SlipFraming(BlockFraming):
    """``SLIP(payload + checksum) C0``; a C0 in front of a block is let pass."""

    def __init__(self, spec: FramingSpec) -> None:
        super().__init__(spec, delimiter=END, decode=decode, encode=encode, what="not a SLIP block")
