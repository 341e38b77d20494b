"""Which framing a link profile asks for: the table of all of them."""

from __future__ import annotations

from collections.abc import Callable

from hil.drivers.framing.base import Framing
from hil.drivers.framing.cobs import CobsFraming
from hil.drivers.framing.delimited import DelimitedFraming
from hil.drivers.framing.length import LengthFraming
from hil.drivers.framing.lines import LineFraming
from hil.drivers.framing.slip import SlipFraming
from hil.ports.link import FramingSpec

KINDS: dict[str, Callable[[FramingSpec], Framing]] = {
    "lines": LineFraming,
    "cobs": CobsFraming,
    "slip": SlipFraming,
    "delimited": DelimitedFraming,
    "length": LengthFraming,
}


def make_framing(spec: FramingSpec) -> Framing:
    """The framing a link profile asks for.

    Raises
    ------
    ValueError
        If the checksum or the kind is unknown, or the description contradicts itself.
    """
    if spec.kind not in KINDS:
        raise ValueError(f"unknown framing {spec.kind!r}, expected one of {', '.join(KINDS)}")
    return KINDS[spec.kind](spec)
