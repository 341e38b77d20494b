"""Standard uncertainties: combined, expanded, and what they say about conformance."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from scipy.special import j0, ndtr, ndtri, stdtr, stdtrit

from hil.core.budget import Budget, Contribution, Shape
from hil.core.trace import FloatArray

#: Coverage factor for about 95 % (JCGM 100:2008, 6.2; JCGM 106:2012, 8.3).
COVERAGE = 2.0

#: Distribution of a half-width a -> standard uncertainty as a share of a (JCGM 100:2008, 4.3).
DIVISORS = {
    shape.value: 1.0 / shape.divisor
    for shape in (Shape.RECTANGULAR, Shape.TRIANGULAR, Shape.U_SHAPED)
}
#: Terms of the Fourier sum in `interval_factor`; good to 0.002 of the factor.
TERMS = 1500
#: Above this many degrees of freedom an uncertainty counts as known (factor within 0.1 %).
MANY = 1000.0
#: Confidence that belongs to `COVERAGE` for a normal distribution (JCGM 100:2008, G.6.4).
CONFIDENCE = float(ndtr(COVERAGE) - ndtr(-COVERAGE))


def from_half_width(half_width: float, distribution: str = "rectangular") -> float:
    """Standard uncertainty of a quantity known to lie within ± `half_width`.

    Raises
    ------
    ValueError
        For a negative width or an unknown distribution.
    """
    if half_width < 0.0 or distribution not in DIVISORS:
        raise ValueError(f"no uncertainty for a half-width {half_width!r}, {distribution!r}")
    return half_width * DIVISORS[distribution]


def combine(parts: Iterable[float]) -> float:
    """Root sum of squares of uncorrelated contributions, all in the unit of the result.

    Raises
    ------
    ValueError
        If one is negative or not finite.
    """
    values = list(parts)
    if any(not math.isfinite(value) or value < 0.0 for value in values):
        raise ValueError(f"standard uncertainties must be finite and not negative: {values!r}")
    return math.hypot(*values)


def effective_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Effective degrees of freedom (Welch-Satterthwaite) of (uncertainty, freedom) pairs.

    Returns
    -------
    float
        Infinite if every contribution has infinite freedom or is zero.

    Raises
    ------
    ValueError
        As `combine`, or for a freedom that is not positive.
    """
    pairs = list(parts)
    combine(uncertainty for uncertainty, _freedom in pairs)
    if any(not freedom > 0.0 for _uncertainty, freedom in pairs):
        raise ValueError("degrees of freedom must be positive")
    lines = (
        Contribution("", uncertainty, freedom=None if math.isinf(freedom) else freedom)
        for uncertainty, freedom in pairs
    )
    found = Budget(tuple(lines)).freedom
    return math.inf if found is None else found


def coverage_factor(confidence: float, freedom: float = math.inf) -> float:
    """Two-sided Student factor for a confidence between 0 and 1; freedom is cut to a whole number.

    Raises
    ------
    ValueError
        For another confidence, or less than one degree of freedom.
    """
    if not 0.0 < confidence < 1.0 or freedom < 1.0:
        raise ValueError(f"no coverage factor for {confidence!r} at {freedom!r} degrees of freedom")
    one_sided = 0.5 + confidence / 2.0
    if math.isinf(freedom):
        return float(ndtri(one_sided))
    return float(stdtrit(math.floor(freedom), one_sided))


def coverage(freedom: float | None) -> float:
    """Factor k of the expanded uncertainty: 2, or the Student factor of the same confidence.

    `freedom` below one counts as one, None as infinitely many (JCGM 100:2008, G.6.4).
    """
    if freedom is None or freedom > MANY:
        return COVERAGE
    return coverage_factor(CONFIDENCE, max(1.0, freedom))


def interval_factor(contributions: Iterable[Contribution], confidence: float = 0.95) -> float:
    """Factor k such that ± k u holds the true value with `confidence`, by the shapes of the parts.

    Bounded errors are not normal: the error of one instrument with limits ± a, u = a/sqrt(3), never
    exceeds 1.73 u, and 95 % of it lie within 1.65 u. The factor is found by a Fourier sum over the
    characteristic function of the sum of all errors; a part with few degrees of freedom is a scaled
    Student variable, taken as normal with the variance widened by the square of its own factor.

    Returns
    -------
    float
        0.0 without contributions.

    Source: propagation of distributions, JCGM 101:2008, 5.2, done by inversion instead of by
    drawing; checked against drawing in the tests.
    """
    parts = [part for part in contributions if part.uncertainty > 0.0]
    if not parts:
        return 0.0
    scale = Budget(tuple(parts)).total
    normal, widths = 0.0, []
    for part in parts:
        u = part.uncertainty / scale
        if part.shape is Shape.NORMAL:
            free = math.inf if part.freedom is None else max(1.0, part.freedom)
            widening = coverage_factor(confidence, free) / coverage_factor(confidence)
            normal += (u * widening) ** 2
        else:
            widths.append((part.shape, u * part.shape.divisor))
    # Probability within ± k of a symmetric variable of period 2 L, well beyond its range.
    half_period = sum(width for _, width in widths) + 8.0 * math.sqrt(normal) + 1.0
    n = np.arange(1, TERMS + 1, dtype=np.float64) * (np.pi / half_period)
    wave = np.exp(-0.5 * normal * n * n)
    for shape, width in widths:
        wave = wave * _characteristic(shape, n * width)

    def inside(k: float) -> float:
        return k / half_period + 2.0 * float(np.sum(wave * np.sin(n * k) / n)) / half_period

    # By halves: every report needs this, and scipy.optimize takes long to load.
    low, high = 0.0, half_period
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if inside(middle) < confidence else (low, middle)
    return 0.5 * (low + high)


def _characteristic(shape: Shape, x: FloatArray) -> FloatArray:
    """Characteristic function of a shape of half-width 1."""
    if shape is Shape.U_SHAPED:
        found: FloatArray = j0(x)
        return found
    if shape is Shape.TRIANGULAR:
        half: FloatArray = (np.sin(x / 2.0) / (x / 2.0)) ** 2
        return half
    return np.sin(x) / x


def expanded(uncertainty: float, factor: float = COVERAGE) -> float:
    """Expanded uncertainty U = k u."""
    return factor * uncertainty


def conformance(
    value: float,
    uncertainty: float,
    low: float | None,
    high: float | None,
    freedom: float | None = None,
) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, clause 7).

    The true value is taken as normal about `value`, or as a scaled Student variable where the
    uncertainty has few degrees of freedom; without uncertainty it is 0 or 1.

    Parameters
    ----------
    value, uncertainty, low, high : in one unit; a limit may be None.
    freedom : degrees of freedom of `uncertainty`, None for infinitely many.

    Raises
    ------
    ValueError
        For a negative uncertainty or a number that is not finite.
    """
    numbers = [n for n in (value, uncertainty, low, high) if n is not None]
    if not all(map(math.isfinite, numbers)) or uncertainty < 0.0:
        raise ValueError(f"no probability for {value!r} ± {uncertainty!r} in {low!r}..{high!r}")
    if uncertainty == 0.0:
        inside = (low is None or value >= low) and (high is None or value <= high)
        return 1.0 if inside else 0.0

    def up_to(limit: float) -> float:
        z = (limit - value) / uncertainty
        few = freedom is not None and freedom <= MANY
        return float(stdtr(max(1.0, freedom or 1.0), z) if few else ndtr(z))

    below = 1.0 if high is None else up_to(high)
    under = 0.0 if low is None else up_to(low)
    return min(1.0, max(0.0, below - under))


def acceptance_limit(limit: float, uncertainty: float, share: float, *, upper: bool) -> float:
    """Limit moved inwards by the guard band w = r U, U = 2 u (JCGM 106:2012, 8.3).

    A value exactly there conforms with probability Phi(2 r): 0.5 for r = 0, 0.977 for r = 1.
    """
    guard = share * expanded(uncertainty)
    return limit - guard if upper else limit + guard


def capability_index(low: float, high: float, uncertainty: float) -> float:
    """Measurement capability index C_m = (T_U - T_L)/(4 u) (JCGM 106:2012, 7.6).

    Raises
    ------
    ValueError
        Without uncertainty.
    """
    if uncertainty <= 0.0:
        raise ValueError("the index needs an uncertainty above zero")
    return (high - low) / (4.0 * uncertainty)
