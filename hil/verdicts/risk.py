"""How often a decision rule is wrong in the long run (global risks, JCGM 106:2012, clause 9.5)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import ndtr, ndtri

SPAN, NODES = 9.0, 4001  # standard deviations of what is made, and points of the integral


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """Shares of all that is measured.

    Parameters
    ----------
    nonconforming : what lies outside the tolerance.
    consumer : what lies outside the tolerance and is accepted.
    producer : what lies inside the tolerance and is rejected.
    """

    nonconforming: float
    consumer: float
    producer: float


def global_risks(
    prior: tuple[float, float],
    tolerance: tuple[float, float],
    acceptance: tuple[float, float],
    uncertainty: float,
) -> GlobalRisks:
    """Risks of accepting what is measured inside `acceptance`.

    Parameters
    ----------
    prior : mean and standard deviation of the true values, taken as normal.
    tolerance, acceptance : low and high limits, infinite for none.
    uncertainty : standard uncertainty of one measurement, taken as normal.

    Raises
    ------
    ValueError
        For limits that contradict each other, or deviations that are not positive.
    """
    mean, spread = prior
    if not (spread > 0.0 and uncertainty > 0.0):
        raise ValueError(f"deviations must be positive, found {spread!r} and {uncertainty!r}")
    if not (tolerance[0] < tolerance[1] and acceptance[0] < acceptance[1]):
        raise ValueError(f"limits {tolerance!r}, {acceptance!r} contradict each other")
    edges = [mean - SPAN * spread, mean + SPAN * spread]
    cuts = sorted({*edges, *(t for t in tolerance if edges[0] < t < edges[1])})
    inside = consumer = producer = 0.0
    for low, high in pairwise(cuts):
        x = np.linspace(low, high, NODES)
        density = np.exp(-0.5 * ((x - mean) / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))
        accepted = ndtr((acceptance[1] - x) / uncertainty) - ndtr((acceptance[0] - x) / uncertainty)
        mass = float(np.trapezoid(density, x))
        taken = float(np.trapezoid(density * accepted, x))
        if tolerance[0] <= 0.5 * (low + high) <= tolerance[1]:
            inside, producer = inside + mass, producer + mass - taken
        else:
            consumer += taken
    return GlobalRisks(1.0 - inside, consumer, producer)


def guard_for_risk(risk: float) -> float:
    """Share r of U = 2 u by which a limit must be moved so that what lies there conforms.

    With probability 1 - `risk`, above 0 and below 0.5 (JCGM 106:2012, 8.3).
    """
    if not 0.0 < risk < 0.5:
        raise ValueError(f"expected a risk between 0 and 0.5, found {risk!r}")
    return float(-ndtri(risk)) / 2.0
