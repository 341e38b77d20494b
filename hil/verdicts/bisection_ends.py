"""Whether the two ends of a history differ at all: a test that may be looked at after every run.

Runs of both ends are taken in pairs. Before each pair both ends make a forecast, f and g, from the
pairs before it; then the evidence is multiplied by::

    f(x) / (f(x)/2 + g(x)/2)  *  g(y) / (f(y)/2 + g(y)/2)

If both ends are alike, the expected factor is at most 1 whatever the distribution is and however
poor the forecasts are: the two expectations add up to 2, so their product is at most 1. By Ville's
inequality the evidence then exceeds 1/risk at any time with a probability of at most `risk`, so
runs may be added until it does. (Turner, Ly, Gruenwald: Generic E-variables for exact sequential
k-sample tests that allow for optional stopping, arXiv:2106.02693.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from hil.verdicts.bisection_sides import Cells, Side


def evidence(good: Sequence[float], bad: Sequence[float], *, rate: bool) -> float:
    """Evidence for a difference between two ends, from the runs that both have, in their order.

    Parameters
    ----------
    good, bad : values of the runs; NaN where a run gave none; 0 or 1 of a rate.

    Returns
    -------
    float
        1 without any evidence; see the module text for what larger numbers say.
    """
    pairs = min(len(good), len(bad))
    factors = (
        _factor(tuple(good[:number]), tuple(bad[:number]), rate) for number in range(2, pairs + 1)
    )
    return math.prod(factors, start=1.0)


@lru_cache(maxsize=1024)  # a search looks after every run, and all pairs but one are the old ones
def _factor(good: tuple[float, ...], bad: tuple[float, ...], rate: bool) -> float:
    """What the last pair multiplies the evidence by."""
    cells = Cells.of([*good[:-1], *bad[:-1]], rate=rate)
    first, second = (odds(side[:-1], cells) for side in (good, bad))
    found = 1.0
    for value, own, other in ((good[-1], first, second), (bad[-1], second, first)):
        cell = cells.of_run(value)
        found *= 2.0 * own[cell] / (own[cell] + other[cell])
    return found


def odds(values: Sequence[float], cells: Cells) -> list[float]:
    """Chances of the next run after these."""
    counts = np.bincount(cells.of_runs(values), minlength=cells.count)
    chances: list[float] = Side(counts[np.newaxis].astype(np.float64)).odds[0].tolist()
    return chances
