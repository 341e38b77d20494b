"""Many comparisons at once: how many of the small p values are more than chance."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def benjamini_hochberg(p_values: npt.ArrayLike) -> FloatArray:
    """Adjusted p values of Benjamini and Hochberg (1995), in the order given.

    The k-th smallest of n becomes min over j >= k of p_(j) n/j. Calling those at most q different
    keeps the expected share of false ones among them at q or below, for independent or positively
    dependent tests. NaN marks a comparison that was not made: it stays NaN and does not count.

    Parameters
    ----------
    p_values : shape (n,), each within 0 to 1 or NaN.

    Raises
    ------
    ValueError
        If one lies outside 0 to 1, or the shape is another.
    """
    given = np.asarray(p_values, dtype=np.float64)
    if given.ndim != 1:
        raise ValueError(f"expected p values in a row, found shape {given.shape}")
    made = np.flatnonzero(~np.isnan(given))
    found = given[made]
    if bool(np.any((found < 0.0) | (found > 1.0))):
        raise ValueError("p values lie between 0 and 1")
    adjusted = np.full_like(given, np.nan)
    if made.size:
        order = np.argsort(found, kind="stable")
        scaled = found[order] * (made.size / np.arange(1.0, made.size + 1.0))
        running = np.minimum.accumulate(scaled[::-1])[::-1]
        adjusted[made[order]] = np.minimum(running, 1.0)
    return adjusted
