"""Straight lines through points of which both coordinates are uncertain.

`ordinary` is the limit of exact abscissas. `deming` takes one ratio of the two variances for all
points, `york` an uncertainty for every coordinate of every point. All work on bare arrays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from hil.core.measure import Outcome
from hil.core.trace import FloatArray
from hil.measures.unmeasurable import Unmeasurable

ITERATIONS = 200
CONVERGED = 1e-13  # relative change of the slope


@dataclass(frozen=True, slots=True)
class Line:
    """``y = offset + slope x`` with standard uncertainties.

    Parameters
    ----------
    covariance : of slope and offset.
    scatter : root of the weighted sum of squared residuals over its degrees of freedom: in the unit
        of y for `ordinary` and `deming`, about 1 for `york` if the uncertainties are right.
    freedom : number of points less two.
    """

    slope: float
    offset: float
    slope_uncertainty: float
    offset_uncertainty: float
    covariance: float
    scatter: float
    freedom: int


def _checked(x: FloatArray, y: FloatArray) -> None:
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"shapes differ: x {x.shape}, y {y.shape}")
    if x.size < 3:
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, f"{x.size} points, a line needs 3")
    if float(np.ptp(x)) == 0.0:
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, "all points have the same abscissa")


def ordinary(x: FloatArray, y: FloatArray) -> Line:
    """Least squares in y alone; shape (n,), n >= 3.

    Raises
    ------
    Unmeasurable
        TOO_FEW_SAMPLES for fewer than three points or no spread in x.
    """
    _checked(x, y)
    n, mx, my = x.size, float(np.mean(x)), float(np.mean(y))
    u, v = x - mx, y - my
    sxx = float(u @ u)
    slope = float(u @ v) / sxx
    off = v - slope * u
    return _line(slope, mx, my, n, sxx, float(off @ off))


def deming(x: FloatArray, y: FloatArray, ratio: float = 1.0) -> Line:
    """Errors in both coordinates; `ratio` is the variance in y over the variance in x.

    Maximum likelihood (Deming 1943, closed form from memory); a ratio of infinity is `ordinary`.
    Standard uncertainties are those of the asymptotic theory, from the scatter about the line.

    Raises
    ------
    ValueError
        If the ratio is not positive.
    Unmeasurable
        As `ordinary`; or if x and y do not vary together, so that there is no one line.
    """
    if not ratio > 0.0:
        raise ValueError(f"the ratio of the variances must be positive, found {ratio!r}")
    if math.isinf(ratio):
        return ordinary(x, y)
    _checked(x, y)
    n, mx, my = x.size, float(np.mean(x)), float(np.mean(y))
    u, v = x - mx, y - my
    sxx, syy, sxy = float(u @ u), float(v @ v), float(u @ v)
    if sxy == 0.0:
        raise Unmeasurable(Outcome.TOO_FEW_SAMPLES, "x and y do not vary together")
    d = syy - ratio * sxx
    root = math.hypot(d, 2.0 * math.sqrt(ratio) * sxy)
    # Two forms of one solution; each keeps its digits where the other one loses them.
    slope = (d + root) / (2.0 * sxy) if d > 0.0 else 2.0 * ratio * sxy / (root - d)
    off = v - slope * u
    true = u + slope * off / (ratio + slope * slope)  # where the points are most likely to lie
    return _line(slope, mx, my, n, float(true @ true), float(off @ off))


def _line(slope: float, mx: float, my: float, n: int, sxx: float, squares: float) -> Line:
    variance = squares / (n - 2)
    return Line(
        slope,
        my - slope * mx,
        math.sqrt(variance / sxx),
        math.sqrt(variance * (1.0 / n + mx * mx / sxx)),
        -mx * variance / sxx,
        math.sqrt(variance),
        n - 2,
    )


def york(x: FloatArray, y: FloatArray, ux: FloatArray, uy: FloatArray) -> Line:
    """Errors of each coordinate of each point known, uncorrelated; shape (n,) each.

    Source: York et al. 2004, American Journal of Physics 72, equations 13 (from memory). The
    standard uncertainties are those that follow from `ux` and `uy`, whatever the scatter.

    Raises
    ------
    ValueError
        If an uncertainty is not positive.
    Unmeasurable
        As `ordinary`, or if the iteration does not settle.
    """
    _checked(x, y)
    if not (bool(np.all(ux > 0.0)) and bool(np.all(uy > 0.0))):
        raise ValueError("every coordinate needs an uncertainty above zero")
    wx, wy = 1.0 / ux**2, 1.0 / uy**2
    slope = ordinary(x, y).slope
    for _ in range(ITERATIONS):
        w = wx * wy / (wx + slope * slope * wy)
        total = float(np.sum(w))
        mx, my = float(w @ x) / total, float(w @ y) / total
        u, v = x - mx, y - my
        beta = w * (u / wy + slope * v / wx)
        found = float((w * beta) @ v) / float((w * beta) @ u)
        settled = abs(found - slope) <= CONVERGED * max(abs(found), 1e-300)
        slope = found
        if settled:
            break
    else:
        raise Unmeasurable(Outcome.MISSING_DATA, "the line through the points does not settle")
    offset = my - slope * mx
    true = mx + beta
    centre = float(w @ true) / total
    slope_variance = 1.0 / float(w @ (true - centre) ** 2)
    chi = float(w @ (y - offset - slope * x) ** 2)
    return Line(
        slope,
        offset,
        math.sqrt(slope_variance),
        math.sqrt(1.0 / total + centre**2 * slope_variance),
        -centre * slope_variance,
        math.sqrt(chi / (x.size - 2)),
        x.size - 2,
    )


NEAR = 0.03  # relative distance at which a slope looks like one of the confusions


def confusion(slope: float, pole_pairs: int) -> str:
    """Which mix-up of units a `slope` of reported over witnessed speed looks like, or "".

    Only for slopes that are off by more than a tenth: less is a scale error and no confusion.
    """
    size = abs(slope)
    turned = "the sign is turned round" if slope < 0.0 else ""
    if not 0.0 < size < math.inf or abs(size - 1.0) <= 0.1:
        return turned
    factors = {
        "electrical for mechanical speed (pole pairs)": float(pole_pairs),
        "a factor of two (both edges, or one of two, counted)": 2.0,
        "a decimal place": 10.0,
        "rpm for rad/s (60/2 pi)": 30.0 / math.pi,
        "rpm for revolutions per second (60)": 60.0,
        "sectors for turns (six per electrical revolution)": 6.0,
    }
    candidates = [(f, words) for words, f in factors.items() if f > 1.0]
    candidates += [(1.0 / f, f"{words}, the other way round") for f, words in candidates]
    near = [(abs(size / f - 1.0), words) for f, words in candidates]
    distance, _ = min(near, key=lambda found: found[0])
    # Two names for one factor (two pole pairs) are both worth naming.
    same = [w for d, w in near if d <= distance + 1e-12]
    if distance > NEAR:
        return turned
    return f"looks like {' or '.join(same)}" + (f", and {turned}" if turned else "")
