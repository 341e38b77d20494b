"""Uncertainty of a result that depends on several quantities: by the law of propagation, and by
drawing where that law, being linear, does not hold.

`linear` follows JCGM 100:2008, 5.1 and 5.2; `draw` JCGM 101:2008. Near a zero of a denominator, at
the corner of an absolute value, and wherever the function bends within the uncertainty of its
arguments, only the second one tells the truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from hil.core.budget import Shape
from hil.core.trace import FloatArray

#: A function of n quantities, each an array of one shape or a number; returns that shape.
Model = Callable[..., FloatArray]
STEP = 1e-3  # of the standard uncertainty, either way, for the slope at the estimates


@dataclass(frozen=True, slots=True)
class Quantity:
    """An estimate with its standard uncertainty and the shape of its error.

    Parameters
    ----------
    freedom : degrees of freedom of a normal error, None for infinitely many.
    """

    value: float
    uncertainty: float
    shape: Shape = Shape.NORMAL
    freedom: float | None = None


@dataclass(frozen=True, slots=True)
class Linear:
    """Result of the law of propagation; `parts` are |c_i| u(x_i) in the order of the arguments."""

    value: float
    uncertainty: float
    parts: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Drawn:
    """Result of drawing: mean, standard deviation, and the shortest interval of `confidence`."""

    value: float
    uncertainty: float
    low: float
    high: float
    confidence: float


def linear(
    model: Model, arguments: Sequence[Quantity], correlation: FloatArray | None = None
) -> Linear:
    """Law of propagation of uncertainty, first order, slopes by central differences.

    Parameters
    ----------
    correlation : coefficients, shape (n, n) with a unit diagonal; None for independent arguments.

    Raises
    ------
    ValueError
        If the correlation does not fit the arguments.
    """
    n = len(arguments)
    estimates = [a.value for a in arguments]
    at = float(model(*estimates))
    signed = np.zeros(n)
    for i, one in enumerate(arguments):
        h = STEP * one.uncertainty
        if h > 0.0:
            up, down = list(estimates), list(estimates)
            up[i], down[i] = estimates[i] + h, estimates[i] - h
            signed[i] = (float(model(*up)) - float(model(*down))) / (2.0 * STEP)
    r = np.eye(n) if correlation is None else np.asarray(correlation, dtype=np.float64)
    if r.shape != (n, n):
        raise ValueError(f"correlation of shape {r.shape} for {n} quantities")
    variance = float(signed @ r @ signed)
    return Linear(at, math.sqrt(max(variance, 0.0)), tuple(float(abs(c)) for c in signed))


def draw(
    model: Model,
    arguments: Sequence[Quantity],
    rng: np.random.Generator,
    *,
    draws: int = 200_000,
    correlation: FloatArray | None = None,
    confidence: float = 0.95,
) -> Drawn:
    """Propagation of distributions by drawing (JCGM 101:2008, clauses 5 to 7).

    The interval is the shortest one that holds `confidence` of the drawn results (5.3.4). Drawn
    results that are not finite count as lying beyond any interval.

    Parameters
    ----------
    correlation : of normal arguments, shape (n, n); None for independent arguments.

    Raises
    ------
    ValueError
        If a correlation is given for arguments that are not normal, or does not fit; for fewer
        than 1000 draws or a confidence outside 0 to 1.
    """
    n = len(arguments)
    if draws < 1000 or not 0.0 < confidence < 1.0:
        raise ValueError(f"{draws} draws, confidence {confidence!r}")
    if correlation is None:
        columns = [_errors(one, rng, draws) for one in arguments]
    else:
        plain = all(a.shape is Shape.NORMAL and a.freedom is None for a in arguments)
        r = np.asarray(correlation, dtype=np.float64)
        if not plain or r.shape != (n, n):
            raise ValueError("a correlation needs normal quantities and one row for each")
        standard = rng.multivariate_normal(np.zeros(n), r, draws, method="eigh")
        columns = [one.uncertainty * standard[:, i] for i, one in enumerate(arguments)]
    with np.errstate(all="ignore"):
        results = np.asarray(
            model(*(a.value + e for a, e in zip(arguments, columns, strict=True))),
            dtype=np.float64,
        )
    finite = np.sort(results[np.isfinite(results)])
    count = math.ceil(confidence * draws)
    if finite.size < count:
        raise ValueError(f"{draws - finite.size} of {draws} results are not finite")
    widths = finite[count - 1 :] - finite[: finite.size - count + 1]
    i = int(np.argmin(widths))
    return Drawn(
        float(np.mean(finite)),
        float(np.std(finite, ddof=1)),
        float(finite[i]),
        float(finite[i + count - 1]),
        confidence,
    )


def _errors(one: Quantity, rng: np.random.Generator, draws: int) -> FloatArray:
    """Errors of one quantity (JCGM 101:2008, 6.4), shape (draws,)."""
    u, width = one.uncertainty, one.uncertainty * one.shape.divisor
    if one.shape is Shape.NORMAL:
        if one.freedom is None:
            return u * rng.standard_normal(draws)
        return u * rng.standard_t(one.freedom, draws)
    if one.shape is Shape.RECTANGULAR:
        return rng.uniform(-width, width, draws)
    if one.shape is Shape.TRIANGULAR:
        return rng.triangular(-width, 0.0, width, draws)
    return width * np.sin(rng.uniform(0.0, 2.0 * np.pi, draws))
