"""How a measure is made: its definition, the function built on it, and what the function yields."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from hil.core.budget import Budget
from hil.core.measure import Definition, Measure, Outcome
from hil.measures.unmeasurable import Unmeasurable

if TYPE_CHECKING:
    from hil.measures.view import View

IEEE_181 = "IEEE Std 181-2011, clauses 3 and 5 (terms cited from memory)"
COMMON = "common practice, no source"


#: The budget of a count: nothing is uncertain.
EXACT = Budget()


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with the budget of its uncertainty and its resolution, in the unit of the measure."""

    value: float
    budget: Budget = EXACT
    resolution: float = 0.0
    detail: str = ""


Compute = Callable[["View"], Estimate]


@dataclass(frozen=True, slots=True)
class Recipe:
    """A definition and the function that follows it."""

    definition: Definition
    compute: Compute

    def apply(self, view: View) -> Measure:
        """The measure of `view`; without a value it says why, it never raises for bad data."""
        name, unit = self.definition.name, self.definition.unit
        try:
            # Absurd samples (1e300 rpm) overflow; that is checked below, not warned about.
            with np.errstate(all="ignore"):
                found = self.compute(view)
        except Unmeasurable as why:
            return Measure.absent(name, unit, why.outcome, why.detail)
        uncertainty = found.budget.total
        if not all(map(math.isfinite, (found.value, uncertainty, found.resolution))):
            detail = "the samples are beyond the numeric range"
            return Measure.absent(name, unit, Outcome.MISSING_DATA, detail)
        value = found.value + 0.0  # no negative zero in reports
        return Measure(
            name,
            unit,
            value,
            uncertainty,
            found.resolution,
            Outcome.VALUE,
            found.detail,
            found.budget.parts,
            found.budget.freedom,
        )


def defines(
    name: str, unit: str, text: str, *, source: str, channels: tuple[str, ...] = ()
) -> Callable[[Compute], Recipe]:
    """Decorator: make a `Recipe` of a function and the words that define it."""
    definition = Definition(name, unit, " ".join(text.split()), source, channels)
    return lambda compute: Recipe(definition, compute)


def flag(condition: bool, detail: str = "") -> Estimate:
    """1 for true, 0 for false: a count without uncertainty."""
    return Estimate(1.0 if condition else 0.0, detail=detail)
