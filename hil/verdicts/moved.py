"""A measure then and now: by how much it moved, whether that is beyond what is known, and what is
left of its band."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from hil.core.band import Band
from hil.core.measure import Measure
from hil.verdicts.summary import summarise
from hil.verdicts.uncertainty import combine, coverage, effective_freedom

#: A measure with less than this share of the span of its band left, in %, calls for a look although
#: it passes: common practice, no source.
LITTLE = 20.0
#: Runs in a row that it takes to tell of the scatter between them.
LEAST_RUNS = 5
#: Shares of trials: their uncertainty is that of the count, which their bound holds, not they.
RATES = frozenset({"success-rate", "failure-rate"})


class Sense(StrEnum):
    """Which way a measure moved, as its band sees it."""

    TOWARDS = "towards its limit"
    AWAY = "away from its limit"
    NEITHER = "no nearer to its limit and no farther"


@dataclass(frozen=True, slots=True)
class Scatter:
    """How a measure differs from one repetition to the next.

    Parameters
    ----------
    deviation : standard deviation of single repetitions.
    freedom : degrees of freedom of that, above 0.
    runs : how many earlier runs it is of, 0 for repetitions.
    """

    deviation: float
    freedom: float
    runs: int = 0


@dataclass(frozen=True, slots=True)
class Mean:
    """The mean of all repetitions of a measure.

    Parameters
    ----------
    count : how many values it is of.
    uncertainty : standard uncertainty, None if that of a value is not stated.
    freedom : effective degrees of freedom of it, None for infinitely many.
    scatter : of the repetitions, None for a single one: then it is not in `uncertainty` either.
    """

    value: float
    count: int
    uncertainty: float | None
    freedom: float | None = None
    scatter: Scatter | None = None

    @property
    def expanded(self) -> float | None:
        """Expanded uncertainty for about 95 %."""
        return None if self.uncertainty is None else coverage(self.freedom) * self.uncertainty

    def scattering(self, scatter: Scatter | None) -> Mean:
        """A single value with a scatter that is known from elsewhere; any other as it is."""
        if self.scatter is not None or scatter is None or self.uncertainty is None:
            return self
        own = math.inf if self.freedom is None else self.freedom
        parts = [(self.uncertainty, own), (scatter.deviation, scatter.freedom)]
        free = effective_freedom(parts)
        whole = combine((self.uncertainty, scatter.deviation))
        return Mean(self.value, self.count, whole, None if math.isinf(free) else free, scatter)


@dataclass(frozen=True, slots=True)
class Move:
    """From then to now.

    Parameters
    ----------
    difference : now less then, in the unit of the measure.
    uncertainty : expanded, of the difference; None if one of the two has none.
    beyond : whether the difference is larger than that; None if nobody can say.
    scatter : whether the scatter from one repetition to the next is in `uncertainty`. If not, a
        difference beyond it may be what two starts of one firmware differ by.
    """

    difference: float
    uncertainty: float | None
    beyond: bool | None
    sense: Sense
    scatter: bool = True

    @property
    def open(self) -> bool:
        """Larger than what is known, and not decidable, since a repetition is lacking."""
        return self.beyond is None and self.uncertainty is not None


def mean_of(values: Sequence[Measure]) -> Mean:
    """The mean of the values of one measure, all of them present.

    What the values have in common (the accuracy of an instrument) does not average out, and which
    part of their uncertainties that is, the values do not say: all of it is taken as common. The
    scatter of the repetitions comes on top as s / sqrt(n), with n - 1 degrees of freedom
    (JCGM 100:2008, 4.2.3). A single value has the scatter between repetitions not in it.

    Raises
    ------
    ValueError
        Without a value.
    """
    numbers = [one.value for one in values if one.value is not None]
    found = summarise(numbers)
    stated = [one.uncertainty for one in values if one.uncertainty is not None]
    if len(stated) < len(values) or any(one.name in RATES for one in values):
        return Mean(found.mean, found.count, None)
    common = math.fsum(stated) / len(stated)
    freedom = min((one.freedom for one in values if one.freedom is not None), default=math.inf)
    scatter = found.deviation / math.sqrt(found.count)
    free = effective_freedom([(common, freedom), (scatter, max(1, found.count - 1))])
    whole = combine((common, scatter))
    free_of = found.count - 1
    own = Scatter(found.deviation, float(free_of)) if free_of else None
    return Mean(found.mean, found.count, whole, None if math.isinf(free) else free, own)


def scatter_between(values: Sequence[float]) -> Scatter | None:
    """The scatter between runs in a row, one value each; None of fewer than `LEAST_RUNS`.

    From the differences of neighbours, sqrt(sum d^2 / (2 (n - 1))), which a step between two builds
    hardly swells. Its degrees of freedom are 2 (n - 1)^2 / (3 n - 4): von Neumann and others, The
    mean square successive difference, 1941 (from memory, and held against simulated series).
    Values that never differ tell of no scatter: one seed, or too coarse a reading.
    """
    count = len(values)
    if count < LEAST_RUNS:
        return None
    squares = math.fsum((b - a) ** 2 for a, b in pairwise(values))
    deviation = math.sqrt(squares / (2.0 * (count - 1)))
    freedom = 2.0 * (count - 1) ** 2 / (3.0 * count - 4.0)
    return Scatter(deviation, freedom, count) if deviation > 0.0 else None


def moved(then: Mean, now: Mean, band: Band, earlier: Scatter | None = None) -> Move:
    """How a measure moved, by its `band` of now; the two uncertainties count as independent.

    A single value has the scatter between `earlier` runs, or else that of the other release, whose
    repetitions differ for the same reasons. Where there is none it is not decidable whether a
    difference beyond the uncertainty is a move.
    """
    difference = now.value - then.value
    whose = then.scatter, now.scatter
    then, now = then.scattering(earlier or whose[1]), now.scattering(earlier or whose[0])
    scatter = then.scatter is not None and now.scatter is not None
    before, after = then.expanded, now.expanded
    whole = None if before is None or after is None else math.hypot(before, after)
    beyond = None if whole is None else abs(difference) > whole
    nearer = distance(then.value, band) - distance(now.value, band)
    sense = Sense.TOWARDS if nearer > 0.0 else Sense.AWAY if nearer < 0.0 else Sense.NEITHER
    return Move(difference, whole, None if beyond and not scatter else beyond, sense, scatter)


def distance(value: float, band: Band) -> float:
    """From a value to the nearest limit of its band; negative outside."""
    low = math.inf if band.low is None else value - band.low
    high = math.inf if band.high is None else band.high - value
    return min(low, high)


def share_left(margin: float, band: Band) -> float | None:
    """A margin in % of the span of its band; None where there is no proportion.

    The span lies between the limits, so that in the middle 50 % are left; with one limit it is the
    distance of that from zero. Exact bands and limits of zero have none, and neither have shares of
    trials: how near those are, only their bound can tell.
    """
    if band.measure in RATES:
        return None
    if band.low is not None and band.high is not None:
        span = band.high - band.low
    else:
        span = abs((band.high if band.low is None else band.low) or 0.0)
    return 100.0 * margin / span if span > 0.0 else None
