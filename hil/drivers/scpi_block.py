"""Answers of instruments that are text, or numbers as they lie in memory.

A block of definite length (IEEE 488.2, 8.7.9) is ``#``, the number of digits that follow, the
length of the data in bytes in as many digits, and the data; on a stream a new line ends it. A new
line among the data is none.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from hil.core.trace import FloatArray

#: 64-bit numbers, the most significant byte first (SCPI-1999 vol. 2, FORMat:BORDer NORMal).
_NUMBER = np.dtype(">f8")


def ask_block_or_text(resource: Any, command: str) -> FloatArray | str:
    """Send a query over a PyVISA resource; its answer without blanks, or the numbers of its block.

    Raises
    ------
    ValueError
        If a block is not as long as it says, or not made of 64-bit numbers. What PyVISA raises.
    """
    resource.write(command)
    answer: bytes = resource.read_raw()
    if not answer.startswith(b"#"):
        return answer.decode("ascii").strip()
    start, end = block_bounds(answer)
    whole = end + len(resource.read_termination or "")
    if len(answer) < whole:
        with _new_lines_are_data(resource):
            answer += resource.read_bytes(whole - len(answer))
    if answer[end:].strip():
        raise ValueError(f"a block of {end - start} bytes goes on with {answer[end:][:24]!r}")
    return numbers(answer[start:end])


@contextmanager
def _new_lines_are_data(resource: Any) -> Iterator[None]:
    """Reading does not stop at each of them; the more of them, the longer it would take."""
    if not resource.read_termination:
        yield
        return
    from pyvisa.constants import ResourceAttribute

    stops = ResourceAttribute.termchar_enabled
    resource.set_visa_attribute(stops, False)
    try:
        yield
    finally:
        resource.set_visa_attribute(stops, True)


def block_bounds(head: bytes) -> tuple[int, int]:
    """Where the data of a block begin and end, from as much of it as holds its length.

    Raises
    ------
    ValueError
        If it does not begin as a block of definite length.
    """
    digits = head[1:2]
    start = 2 + (int(digits) if digits.isdigit() else 0)
    size = head[2:start]
    if start == 2 or len(size) < start - 2 or not size.isdigit():
        raise ValueError(f"{head[:12]!r} does not say how long a block is")
    return start, start + int(size)


def numbers(data: bytes) -> FloatArray:
    """The 64-bit numbers of a block, shape (n,).

    Raises
    ------
    ValueError
        If they do not fill it.
    """
    if len(data) % _NUMBER.itemsize:
        raise ValueError(f"a block of {len(data)} bytes does not hold 64-bit numbers only")
    return np.frombuffer(data, _NUMBER).astype(np.float64)
