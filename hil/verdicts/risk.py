"""How often a decision rule is wrong in the long run (global risks, JCGM 106:2012, clause 9.5)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import ndtr, ndtri

from hil.core.band import Band, Rule
from hil.verdicts.uncertainty import COVERAGE

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
    # A share is not negative, not even by the error of the integral.
    return GlobalRisks(*(max(0.0, share) for share in (1.0 - inside, consumer, producer)))


def risks_of(band: Band, mean: float, deviation: float, uncertainty: float) -> GlobalRisks | None:
    """Long-run risks of judging by `band` what scatters about `mean` by `deviation`.

    Passed is what the rule of the band passes: inside its limits, or inside by the guard band.

    Parameters
    ----------
    mean, deviation : of the results of many runs, in the unit of the band. They hold what the
        measurement itself scatters as well, so that the true values spread no more.
    uncertainty : standard uncertainty of one result.

    Returns
    -------
    GlobalRisks | None
        None where nothing scatters, nothing is uncertain, or the guard bands leave no room.
    """
    if not (deviation > 0.0 and uncertainty > 0.0):
        return None
    guard = 0.0
    if band.rule is Rule.GUARDED:
        share = band.guard if band.risk is None else guard_for_risk(band.risk)
        guard = share * COVERAGE * uncertainty
    low = -math.inf if band.low is None else band.low
    high = math.inf if band.high is None else band.high
    if not (low < high and low + guard < high - guard):
        return None
    return global_risks((mean, deviation), (low, high), (low + guard, high - guard), uncertainty)


def guard_for_risk(risk: float) -> float:
    """Share r of U = 2 u by which a limit must be moved so that what lies there conforms.

    With probability 1 - `risk`, above 0 and below 0.5 (JCGM 106:2012, 8.3).
    """
    if not 0.0 < risk < 0.5:
        raise ValueError(f"expected a risk between 0 and 0.5, found {risk!r}")
    return float(-ndtri(risk)) / 2.0
