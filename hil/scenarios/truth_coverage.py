"""How often the stated intervals hold the truth, by measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hil.core.budget import Contribution
from hil.core.trace import FloatArray
from hil.verdicts.samples import interval
from hil.verdicts.uncertainty import interval_factor


@dataclass(frozen=True, slots=True)
class Held:
    """One measure against its true value, both in `unit`."""

    item: str
    measure: str
    unit: str
    value: float
    true: float
    uncertainty: float
    contributions: tuple[Contribution, ...]

    @property
    def half_width(self) -> float:
        """Half-width of the 95 % interval."""
        return interval_factor(self.contributions) * self.uncertainty

    @property
    def covered(self) -> bool:
        """Whether the 95 % interval holds the true value."""
        # A difference below the rounding of a float is none.
        slack = 1e-9 * max(abs(self.value), abs(self.true), 1.0)
        return abs(self.value - self.true) <= self.half_width + slack


@dataclass(frozen=True, slots=True)
class Coverage:
    """How one measure did over many rigs.

    Parameters
    ----------
    n, held : cases, and cases in which the 95 % interval held the true value.
    bias, spread : mean and standard deviation of the error over the stated standard uncertainty.
    half_width : median half-width of the interval, in the unit of the measure.
    exact : cases without any error, such as the kick of a shaft that did not kick: they are held
        whatever the uncertainty, and raise the share.
    """

    measure: str
    unit: str
    n: int
    held: int
    bias: float
    spread: float
    half_width: float
    exact: int = 0

    @property
    def limits(self) -> tuple[float, float]:
        """Within what the share would lie in the long run, %: exact 95 % interval of a count."""
        low, high = interval(self.held, self.n, 0.95)
        return 100.0 * low, 100.0 * high

    @property
    def share(self) -> float:
        """Share of cases in which the truth was held, %."""
        return 100.0 * self.held / self.n


def coverage(cases: list[Held]) -> list[Coverage]:
    """One line a measure, over all items, in alphabetical order."""
    groups: dict[str, list[Held]] = {}
    for case in cases:
        groups.setdefault(case.measure, []).append(case)
    found = []
    for name, group in sorted(groups.items()):
        errors = np.array([c.value - c.true for c in group])
        u: FloatArray = np.array([c.uncertainty for c in group])
        z = np.divide(errors, u, out=np.zeros_like(errors), where=u > 0.0)
        found.append(
            Coverage(
                name,
                group[0].unit,
                len(group),
                sum(c.covered for c in group),
                float(np.mean(z)),
                float(np.std(z)),
                float(np.median([c.half_width for c in group])),
                int(np.count_nonzero(np.abs(errors) < 1e-9)),
            )
        )
    return found
