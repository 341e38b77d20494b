"""Numbers as SCPI instruments write them."""

from __future__ import annotations

import math

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
    return float(_special(np.array([value]))[0]) if abs(value) > 1e37 else value


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
    return _special(values)


def _special(values: FloatArray) -> FloatArray:
    size = np.abs(values)
    if not bool(np.any(size > 1e37)):
        return values
    out = values.copy()
    out[np.isclose(values, NOT_A_NUMBER, rtol=TOLERANCE, atol=0.0)] = math.nan
    infinite = np.isclose(size, INFINITY, rtol=TOLERANCE, atol=0.0)
    out[infinite] = np.sign(values[infinite]) * math.inf
    return out


def format_number(value: float) -> str:
    """A set point as text: at most nine significant digits, no unit (suffixes are optional)."""
    return f"{value:.9g}"
