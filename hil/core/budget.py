"""The budget of an uncertainty: independent contributions, and what they come to together.

Terms and rules follow JCGM 100:2008. A contribution is stated as it acts on the result, that is
with its sensitivity coefficient already multiplied in, so that budgets of one result add up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

#: Where an uncertainty comes from, in the words that reports print.
ACCURACY = "instrument accuracy"
RESOLUTION = "resolution"
SAMPLING = "sampling"
CLOCK = "clock"
NOISE = "noise"
REPEATABILITY = "repeatability"
FILTER = "filter"
MODEL = "model"


class Shape(StrEnum):
    """Distribution of an error about zero."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    U_SHAPED = "u-shaped"

    @property
    def divisor(self) -> float:
        """Half-width over standard uncertainty (JCGM 100:2008, 4.3.7 and 4.3.9)."""
        return _DIVISORS[self]

    @property
    def excess(self) -> float:
        """Excess kurtosis: 0 for a normal distribution, negative for bounded ones."""
        return _EXCESS[self]


# A normal distribution has no half-width; 1 leaves its standard deviation alone.
_DIVISORS = {
    Shape.NORMAL: 1.0,
    Shape.RECTANGULAR: math.sqrt(3.0),
    Shape.TRIANGULAR: math.sqrt(6.0),
    Shape.U_SHAPED: math.sqrt(2.0),
}
_EXCESS = {
    Shape.NORMAL: 0.0,
    Shape.RECTANGULAR: -1.2,
    Shape.TRIANGULAR: -0.6,
    Shape.U_SHAPED: -1.5,
}


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget.

    Parameters
    ----------
    source : where it comes from, see the words above.
    uncertainty : standard uncertainty (k=1) as it acts on the result, in the unit of the result.
    shape : distribution of the error.
    freedom : degrees of freedom; None for a value that is known well (infinite).

    Raises
    ------
    ValueError
        If the uncertainty is negative or the freedom not positive.
    """

    source: str
    uncertainty: float
    shape: Shape = Shape.NORMAL
    freedom: float | None = None

    def __post_init__(self) -> None:
        # NaN passes: samples beyond the numeric range are told of where a measure is made.
        if self.uncertainty < 0.0:
            raise ValueError(f"{self.source}: a standard uncertainty of {self.uncertainty!r}")
        if self.freedom is not None and not self.freedom > 0.0:
            raise ValueError(f"{self.source}: {self.freedom!r} degrees of freedom")


@dataclass(frozen=True, slots=True)
class Budget:
    """Independent contributions to one uncertainty, all in the unit of the result."""

    parts: tuple[Contribution, ...] = ()

    def __add__(self, other: Budget) -> Budget:
        return Budget(self.parts + other.parts)

    def __mul__(self, factor: float) -> Budget:
        """As it acts on something that changes by `factor` times as much."""
        size = abs(factor)
        return Budget(tuple(replace(p, uncertainty=size * p.uncertainty) for p in self.parts))

    __rmul__ = __mul__

    def of(self, *sources: str) -> Budget:
        """The contributions from these sources alone."""
        return Budget(tuple(part for part in self.parts if part.source in sources))

    def without(self, *sources: str) -> Budget:
        """The contributions but those from these sources: what cancels in a difference."""
        return Budget(tuple(part for part in self.parts if part.source not in sources))

    @property
    def total(self) -> float:
        """Combined standard uncertainty: root of the sum of squares (JCGM 100:2008, 5.1.2)."""
        return math.hypot(*(part.uncertainty for part in self.parts))

    @property
    def freedom(self) -> float | None:
        """Effective degrees of freedom (Welch-Satterthwaite, JCGM 100:2008, G.4.1).

        None where every contribution that counts has infinitely many.
        """
        total = self.total
        if not 0.0 < total < math.inf:
            return None
        share = sum(
            (part.uncertainty / total) ** 4 / part.freedom
            for part in self.parts
            if part.freedom is not None
        )
        return 1.0 / share if share > 0.0 else None


def line(
    source: str,
    size: float,
    shape: Shape = Shape.NORMAL,
    freedom: float | None = None,
) -> Budget:
    """A budget of one contribution; `size` is a standard deviation, or the half-width of a shape.

    Nothing at all for a size of zero.
    """
    if size == 0.0:
        return Budget()
    return Budget((Contribution(source, abs(size) / shape.divisor, shape, freedom),))


def rectangular(source: str, half_width: float) -> Budget:
    """An error known to lie within ± `half_width` and no more (JCGM 100:2008, 4.3.7)."""
    return line(source, half_width, Shape.RECTANGULAR)


def clock(uncertainty: float) -> Budget:
    """Budget of a time scale that is known to lie within the span of an exchange, and no more."""
    return rectangular(CLOCK, uncertainty * Shape.RECTANGULAR.divisor)


def total(budgets: Iterable[Budget]) -> Budget:
    """Independent budgets of one result together."""
    return Budget(tuple(part for budget in budgets for part in budget.parts))
