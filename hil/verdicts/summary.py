"""Mean, standard deviation and lag-one autocorrelation of a sample, to all the digits it has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Summary:
    """Location and spread of a sample.

    Parameters
    ----------
    count : number of values.
    mean, deviation : in the unit of the values; the deviation divides by ``count - 1`` and is 0 for
        a single value.
    lag_one : autocorrelation at lag one; 0 for a constant or single value.
    """

    count: int
    mean: float
    deviation: float
    lag_one: float


def checked(values: Sequence[float] | FloatArray, least: int = 1) -> FloatArray:
    """`values` as a one-dimensional array of floats.

    Raises
    ------
    ValueError
        If one is NaN or infinite, or there are fewer than `least`. A missing value is for the
        caller to report: it is never passed over here.
    """
    found = np.asarray(values, dtype=np.float64)
    if found.ndim != 1 or found.size < least:
        raise ValueError(f"expected at least {least} values in a row, found shape {found.shape}")
    if not bool(np.all(np.isfinite(found))):
        raise ValueError("a sample holds finite numbers only; found NaN or infinity")
    return found


def summarise(values: Sequence[float] | FloatArray) -> Summary:
    """Summary of a sample.

    The mean is corrected once by the mean of the residuals, and squares are taken of residuals
    (two passes), so that a large common offset costs no digits:
    s^2 = (sum d^2 - (sum d)^2 / n) / (n - 1), d = x - mean (Chan, Golub and LeVeque 1983; from
    memory). Lag one: sum d_i d_(i+1) / sum d_i^2 (definition of the NIST StRD data sets).

    Raises
    ------
    ValueError
        Without a value, or if one is not finite.
    """
    found = checked(values)
    count = int(found.size)
    # A first value taken off beforehand keeps the sum small: 1e7 + 0.2 has few digits to spare.
    shifted = found - found[0]
    centre = float(np.mean(shifted))
    centre += float(np.mean(shifted - centre))
    rest = shifted - centre
    squares = float(np.dot(rest, rest)) - float(np.sum(rest)) ** 2 / count
    deviation = float(np.sqrt(max(0.0, squares) / (count - 1))) if count > 1 else 0.0
    lag = float(np.dot(rest[:-1], rest[1:])) / squares if squares > 0.0 else 0.0
    return Summary(count, float(found[0]) + centre, deviation, lag)
