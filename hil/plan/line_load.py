"""Whether a serial line can carry the telemetry that a link profile asks for."""

from __future__ import annotations

import re

from hil.ports.link import BITS, SIZES, FramingSpec, LinkDescription

#: Characters that a number takes on a line of text, with its separator: about, for want of better.
NUMBER = 6


def least_bytes(link: LinkDescription) -> int:
    """Bytes on the line that one telemetry frame has at least; of binary framings, but for escapes.

    On lines of text every number may be a single digit.
    """
    framing, telemetry = link.framing, link.messages["telemetry"]
    if framing.kind == "lines":
        numbers = sum(spec.type != "text" for spec in telemetry.fields)
        words = len(telemetry.fields) + bool(telemetry.key)
        text = len(str(telemetry.key)) + numbers + max(0, words - 1) * len(framing.separator)
        check = len(framing.mark) + 2 * _checksum(framing) if framing.checksum else 0
        return len(framing.begin) + text + check + len(framing.terminator)
    content = sum(SIZES.get(spec.type, spec.size) for spec in telemetry.fields)
    return framing.key_size + content + _checksum(framing) + _around(framing)


def usual_bytes(link: LinkDescription) -> int:
    """Bytes of one telemetry frame as they usually are: numbers on lines have several digits."""
    least = least_bytes(link)
    if link.framing.kind != "lines":
        return least
    fields = link.messages["telemetry"].fields
    more = NUMBER - 1 - len(link.framing.separator)
    return least + sum(spec.size if spec.type == "text" else more for spec in fields)


def frame_time(link: LinkDescription) -> float:
    """Seconds that one telemetry frame, as they usually are, is on the line."""
    return link.on_line(usual_bytes(link))


def overload(link: LinkDescription, size: int) -> str:
    """Why frames of `size` bytes are more than the line carries, with all figures; "" if not."""
    asked = size * BITS * link.telemetry_rate
    if asked <= link.baud:
        return ""
    return (
        f"{link.telemetry_rate:g} frames/s of {size} bytes are {asked:.0f} bit/s with {BITS} bits "
        f"a byte, more than the {link.baud} of baud; it carries "
        f"{link.baud / (size * BITS):.4g} frames/s"
    )


def _around(framing: FramingSpec) -> int:
    """Bytes that the framing puts around key, content and checksum."""
    return {
        "cobs": 2,  # the code byte in front and the zero behind
        "slip": 1,
        "delimited": len(framing.start) + len(framing.end),
        "length": len(framing.sync) + framing.length_size,
    }.get(framing.kind, 0)


def _checksum(framing: FramingSpec) -> int:
    """Bytes of the checksum: its name begins with its width in bits."""
    width = re.search(r"-(\d+)", framing.checksum)
    return 0 if width is None else int(width[1]) // 8
