"""The noncentral t distribution, also far out where general-purpose routines give up."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import chi2

FloatArray = npt.NDArray[np.float64]

_REACH = 8.5  # beyond, a normal density is below 1e-16


@lru_cache(maxsize=256)
def _spread(freedom: int) -> tuple[FloatArray, FloatArray]:
    """Nodes of s/sigma and their weights: s^2 by its chi-squared quantiles at normal scores."""
    nodes, weights = np.polynomial.legendre.leggauss(120)
    scores = _REACH * nodes
    density = _REACH * weights * np.exp(-0.5 * scores**2) / np.sqrt(2.0 * np.pi)
    upper = scores > 0.0
    squares = np.empty_like(scores)
    squares[upper] = chi2.isf(ndtr(-scores[upper]), freedom)
    squares[~upper] = chi2.ppf(ndtr(scores[~upper]), freedom)
    return np.sqrt(squares / freedom), density / density.sum()


def noncentral_t(value: float, freedom: int, offset: float) -> float:
    """P(T <= value) for T = (Z + offset)/(s/sigma): the mean of Phi(value s/sigma - offset).

    Parameters
    ----------
    freedom : degrees of freedom of s, 1 or more.
    offset : noncentrality.
    """
    spread, weights = _spread(freedom)
    return float(np.dot(weights, ndtr(value * spread - offset)))


def noncentral_t_quantile(share: float, freedom: int, offset: float) -> float:
    """The value that T does not exceed with probability `share`.

    Raises
    ------
    ValueError
        Unless `share` lies between 0 and 1.
    """
    if not 0.0 < share < 1.0:
        raise ValueError(f"expected a share between 0 and 1, found {share!r}")
    reach = 1.0 + abs(offset)
    while not noncentral_t(-reach, freedom, offset) < share < noncentral_t(reach, freedom, offset):
        reach *= 2.0
    found = brentq(lambda t: noncentral_t(t, freedom, offset) - share, -reach, reach, xtol=1e-12)
    return float(found)


def noncentrality(value: float, freedom: int, share: float) -> float:
    """The offset with which T stays below `value` with probability `share`.

    Raises
    ------
    ValueError
        Unless `share` lies between 0 and 1.
    """
    if not 0.0 < share < 1.0:
        raise ValueError(f"expected a share between 0 and 1, found {share!r}")
    reach = 1.0 + abs(value)
    while not (
        noncentral_t(value, freedom, value + reach)
        < share
        < noncentral_t(value, freedom, value - reach)
    ):
        reach *= 2.0
    found = brentq(
        lambda c: noncentral_t(value, freedom, c) - share, value - reach, value + reach, xtol=1e-12
    )
    return float(found)
