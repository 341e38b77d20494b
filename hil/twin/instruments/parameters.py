"""Typed parameters and replies of SCPI: numbers with units, words, booleans, channel lists.

A converter turns the text of one parameter into a value or raises `ScpiError` with the standard's
number for what is wrong with it. Sources: IEEE 488.2 clauses 7.7 and 8.7, SCPI-1999 volume 1
chapters 7 and 8.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping

from hil.twin.scpi import WHITE, ScpiError, short_form

INFINITY, NOT_A_NUMBER = 9.9e37, 9.91e37  # SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5
_W = r"[\x00-\x09\x0b-\x20]*"
_NUMBER = re.compile(rf"([+-]?(?:\d+\.?\d*|\.\d+))(?:{_W}[eE]{_W}([+-]?\d+))?{_W}(.*)", re.A | re.S)
_RADIX = {"H": "0123456789ABCDEF", "Q": "01234567", "B": "01"}
_PREFIX = {"": 1.0, "M": 1e-3, "K": 1e3, "U": 1e-6, "N": 1e-9, "MA": 1e6}  # IEEE 488.2, 7.7.3


def alternatives(words: Mapping[str, float]) -> dict[str, float]:
    """Short and long forms in capitals -> value."""
    return {form: value for w, value in words.items() for form in (w.upper(), short_form(w))}


def number(
    low: float, high: float, unit: str = "", *, default: float | None = None
) -> Callable[[str], float]:
    """Converter for a number in [low, high], with MINimum, MAXimum and perhaps DEFault."""
    words = alternatives({"MINimum": low, "MAXimum": high, "INFinity": INFINITY, "NAN": INFINITY})
    words |= {"NINF": -INFINITY} | ({} if default is None else alternatives({"DEFault": default}))

    def convert(text: str) -> float:
        value = words.get(text.upper())
        value = parse_number(text, unit) if value is None else value
        if not low <= value <= high:
            raise ScpiError(-222, f"{value:g} is not in {low:g} to {high:g} {unit}".rstrip())
        return value

    return convert


def integer(low: int, high: int) -> Callable[[str], int]:
    """Converter for a number that is rounded to an integer (IEEE 488.2, 10.10) in [low, high]."""

    def convert(text: str) -> int:
        value = parse_number(text)
        if not low - 0.5 <= value < high + 0.5:
            raise ScpiError(-222, f"{value:g} is not in {low} to {high}")
        return min(round(value), high)  # 0.5 above the range would round to the next even number

    return convert


def boolean(text: str) -> bool:
    """``ON``, ``OFF`` or a number, of which 0 after rounding is off (SCPI-1999 volume 1, 7.3)."""
    word = text.upper()
    if word in {"ON", "OFF"}:
        return word == "ON"
    return abs(parse_number(text)) >= 0.5


def limit(low: float, high: float, default: float) -> Callable[[str], float]:
    """Converter for the parameter of a query: MINimum, MAXimum or DEFault."""
    words = alternatives({"MINimum": low, "MAXimum": high, "DEFault": default})

    def convert(text: str) -> float:
        if text.upper() not in words:
            _refuse_other_kinds(text)
            raise ScpiError(-128, text)
        return words[text.upper()]

    return convert


def parse_number(text: str, unit: str = "") -> float:
    """A decimal number with an optional unit (``MV``, ``V``), or ``#H1F``, ``#Q17``, ``#B101``.

    Raises
    ------
    ScpiError
        By the kind of data found instead: -1xx of IEEE 488.2 data elements.
    """
    _refuse_other_kinds(text)
    if text[0] == "#":
        digits = _RADIX.get(text[1:2].upper(), "")
        if not (digits and 2 < len(text) <= 2 + 64 and set(text[2:].upper()) <= set(digits)):
            raise ScpiError(-121, text)
        return float(int(text[2:], len(digits)))
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiError(-121, text)
    mantissa, exponent, suffix = match.groups()
    if len(mantissa) > 255:
        raise ScpiError(-124)
    if exponent and (len(exponent) > 6 or abs(int(exponent)) > 32000):
        raise ScpiError(-123, text)
    scale = 1.0
    if suffix:
        if not unit:
            raise ScpiError(-138, text)
        prefix = suffix.upper().removesuffix(unit.upper())
        if prefix not in _PREFIX or not suffix.upper().endswith(unit.upper()):
            raise ScpiError(-131, text)
        scale = _PREFIX[prefix]
    return float(f"{mantissa}e{exponent or 0}") * scale


def _refuse_other_kinds(text: str) -> None:
    if not text:
        raise ScpiError(-109, "empty parameter")
    first = text[0]
    if first in "\"'":
        raise ScpiError(-158, text)
    if first == "(":
        raise ScpiError(-178, text)
    if first == "#" and text[1:2].isdecimal():
        raise ScpiError(-168, text)
    if first.isalpha():
        raise ScpiError(-141, text)


def channel_list(low: int, high: int) -> Callable[[str], tuple[int, ...]]:
    """Converter for ``(@1,3:5)``: channels in the order given (SCPI-1999 volume 1, 8.3.2)."""

    def channels(body: str) -> Iterator[int]:
        for part in body.split(","):
            match = re.fullmatch(rf"{_W}(\d{{1,6}}){_W}(?::{_W}(\d{{1,6}}){_W})?", part, re.A)
            if match is None:
                raise ScpiError(-171, part)
            first, last = int(match[1]), int(match[2] or match[1])
            if not (low <= first <= high and low <= last <= high):
                raise ScpiError(-222, f"channel {part.strip(WHITE)} is not in {low} to {high}")
            yield from range(first, last + 1) if last >= first else range(first, last - 1, -1)

    def convert(text: str) -> tuple[int, ...]:
        match = re.fullmatch(rf"\({_W}@(.*)\)", text, re.S)
        if match is None:
            raise ScpiError(-104, f"{text}: expected a channel list such as (@1)")
        return tuple(channels(match[1]))

    return convert


def decimal(value: float) -> str:
    """A reply in NR3 (IEEE 488.2, 8.7.4), with the standard's values for infinity and NaN."""
    if math.isnan(value):
        return f"{NOT_A_NUMBER:.6E}"
    return f"{max(-INFINITY, min(value, INFINITY)):.6E}"
