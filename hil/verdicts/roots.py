"""The place where a rising or falling function is zero, by halving."""

from __future__ import annotations

from collections.abc import Callable


def root(function: Callable[[float], float], low: float, high: float, within: float) -> float:
    """Where `function` changes its sign between `low` and `high`, to `within`.

    For functions that take microseconds: `scipy.optimize` finds it in fewer steps, and takes longer
    to load than all of them.

    Raises
    ------
    ValueError
        If it has the same sign at both ends, or `within` is not positive.
    """
    below, above = function(low), function(high)
    if not within > 0.0 or not min(below, above) <= 0.0 <= max(below, above):
        raise ValueError(f"no root to {within!r} between {below!r} at {low!r} and {above!r}")
    rising = below < above
    while high - low > within:
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break  # neighbouring numbers
        if (function(middle) > 0.0) == rising:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)
