"""Standard uncertainties: combined, expanded, and what they say about conformance."""

from __future__ import annotations

import math
from collections.abc import Iterable

from scipy.special import ndtr, ndtri, stdtrit

#: Coverage factor for about 95 % (JCGM 100:2008, 6.2; JCGM 106:2012, 8.3).
COVERAGE = 2.0

#: Distribution of a half-width a -> standard uncertainty as a share of a (JCGM 100:2008, 4.3).
DIVISORS = {
    "rectangular": 1.0 / math.sqrt(3.0),
    "triangular": 1.0 / math.sqrt(6.0),
    "u-shaped": 1.0 / math.sqrt(2.0),
}


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
    total = combine(uncertainty for uncertainty, _freedom in pairs)
    if any(not freedom > 0.0 for _uncertainty, freedom in pairs):
        raise ValueError("degrees of freedom must be positive")
    share = sum(uncertainty**4 / freedom for uncertainty, freedom in pairs)
    return total**4 / share if share > 0.0 else math.inf


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


def expanded(uncertainty: float, factor: float = COVERAGE) -> float:
    """Expanded uncertainty U = k u."""
    return factor * uncertainty


def conformance(value: float, uncertainty: float, low: float | None, high: float | None) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, clause 7).

    The true value is taken as normal about `value`; without uncertainty it is 0 or 1.

    Parameters
    ----------
    value, uncertainty, low, high : in one unit; a limit may be None.

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
    below = 1.0 if high is None else float(ndtr((high - value) / uncertainty))
    under = 0.0 if low is None else float(ndtr((low - value) / uncertainty))
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
