"""Numbers as SCPI instruments write them."""

from __future__ import annotations

import math
import re

import numpy as np

from hil.core.trace import FloatArray

#: SCPI-1999 vol. 1, 7.2.1.4-5: how an instrument without IEEE infinities writes them.
INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
#: Instruments round them to their own number of digits; 9.9 and 9.91 still differ by 1e-3.
TOLERANCE = 2e-4


def parse_number(text: str) -> float:
    """One number: NaN for 9.91E37, plus or minus infinity for 9.9E37 and -9.9E37.

    Raises
    ------
    ValueError
        If `text` is not one number.
    """
    value = float(text.strip())
    if "_" in text:
        raise ValueError(f"could not convert string to float: {text!r}")
    return float(special(np.array([value]))[0]) if abs(value) > 1e37 else value


def parse_numbers(text: str) -> FloatArray:
    """Comma separated numbers, shape (n,); sentinels as in `parse_number`.

    Raises
    ------
    ValueError
        If any part is not a number.
    """
    if "_" in text:
        raise ValueError(f"could not convert string to float: {text!r}")
    values = np.array(list(map(float, text.split(","))), dtype=np.float64)
    return special(values)


#: Base of each non-decimal form of a response (IEEE 488.2, 8.7.5-8.7.7, numbers from memory).
_BASES = {"#H": 16, "#Q": 8, "#B": 2}


def parse_pattern(text: str) -> int:
    """A whole number from zero, decimal or as ``#H1F``, ``#Q37``, ``#B11111``.

    Raises
    ------
    ValueError
        If it is anything else.
    """
    text = text.strip().upper()
    digits = text[2:] if text[:2] in _BASES else text.removeprefix("+")
    if not re.fullmatch("[0-9A-F]+", digits):
        raise ValueError(f"{text!r} is not a whole number from zero")
    return int(digits, _BASES.get(text[:2], 10))


def special(values: FloatArray) -> FloatArray:
    """Numbers of which some may stand for infinity or 'no value', as `parse_number` has them."""
    size = np.abs(values)
    if not size.size or float(size.max()) <= 1e37:  # not so if any is NaN, which is rare
        return values
    out = values.copy()
    out[np.isclose(values, NOT_A_NUMBER, rtol=TOLERANCE, atol=0.0)] = math.nan
    infinite = np.isclose(size, INFINITY, rtol=TOLERANCE, atol=0.0)
    out[infinite] = np.sign(values[infinite]) * math.inf
    return out
