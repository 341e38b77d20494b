"""Pass bands: the limits of a measure and how nearness to a limit is decided."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum


class Rule(StrEnum):
    """Decision rule (JCGM 106:2012, clause 8)."""

    SIMPLE = "simple"  # the measured value inside the limits passes (shared risk)
    GUARDED = "guarded"  # pass and fail both need the expanded uncertainty clear of the limit


@dataclass(frozen=True, slots=True)
class Band:
    """Limits of one measure, both inclusive.

    Parameters
    ----------
    measure : name of the measure.
    low, high : limits in `unit`, at least one not None, ``low <= high``.
    unit : canonical unit of the measure.
    rule : decision rule.
    requirement : identifier of a requirement this band verifies, or "".
    guard : of a guarded band: width of the guard band as a share r of the expanded uncertainty.
    risk : of a guarded band, in the place of `guard`: the largest probability of a wrong pass and
        of a wrong fail, above 0 and below 0.5; None where `guard` counts.

    Raises
    ------
    ValueError
        If both limits are missing, not finite, or contradict each other; or for a guard below 0 or
        a risk that is none.
    """

    measure: str
    low: float | None
    high: float | None
    unit: str
    rule: Rule = Rule.SIMPLE
    requirement: str = ""
    guard: float = 1.0
    risk: float | None = None

    def __post_init__(self) -> None:
        limits = [limit for limit in (self.low, self.high) if limit is not None]
        if not limits or not all(math.isfinite(limit) for limit in limits):
            raise ValueError(f"{self.measure}: a band needs at least one finite limit")
        if self.low is not None and self.high is not None and self.low > self.high:
            unit = "" if self.unit == "1" else f" {self.unit}"
            said = f"min {self.low:g}{unit} lies above max {self.high:g}{unit}"
            raise ValueError(f"{self.measure}: {said}")
        if not 0.0 <= self.guard < math.inf:
            raise ValueError(f"{self.measure}: a guard of {self.guard!r} times the uncertainty")
        if self.risk is not None and not 0.0 < self.risk < 0.5:
            raise ValueError(f"{self.measure}: a risk of {self.risk!r}, expected 0 to 0.5 (50 %)")

    @property
    def rule_text(self) -> str:
        """The decision rule in words, with its guard band."""
        if self.rule is Rule.SIMPLE:
            return "simple"
        if self.risk is not None:
            return f"guarded, risk {100.0 * self.risk:g} %"
        return "guarded" if self.guard == 1.0 else f"guarded, {self.guard:g} U"

    def __str__(self) -> str:
        unit = "" if self.unit == "1" else f" {self.unit}"
        if self.low is None:
            return f"at most {self.high:g}{unit}"
        if self.high is None:
            return f"at least {self.low:g}{unit}"
        return f"{self.low:g} to {self.high:g}{unit}"
