"""A measured number with unit and uncertainty, and the definition it follows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from hil.core.budget import Contribution


class Outcome(StrEnum):
    """Whether a measure has a value, and if not, why. Anything but VALUE never passes a band."""

    VALUE = "value"
    NEVER_REACHED = "never reached"  # the event did not happen: a fact about the drive
    MISSING_DATA = "missing data"  # the channel, or a stretch of it, was not captured
    TOO_FEW_SAMPLES = "too few samples"
    #: The measure has no meaning under these conditions (a Hall start has no handover). A band on
    #: it is judged not-run with the reason in `Measure.detail`: neither a pass nor a fault.
    NOT_APPLICABLE = "not applicable"


@dataclass(frozen=True, slots=True)
class Definition:
    """What a measure is, in words that can be printed beside it.

    Parameters
    ----------
    name : kebab-case, unique within its scenario kind, e.g. ``time-to-speed``.
    unit : canonical unit (`hil.core.quantity`).
    text : the definition: reference levels, window, filter, onset.
    source : published source of the definition, or ``common practice, no source``.
    channels : names of the channels it needs.
    """

    name: str
    unit: str
    text: str
    source: str
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Measure:
    """One measured value.

    Parameters
    ----------
    name, unit : as in its `Definition`.
    value : the value, None unless `outcome` is VALUE.
    uncertainty : standard uncertainty (k=1) in `unit`, None unless `outcome` is VALUE.
    resolution : smallest difference the data could have shown, in `unit`.
    detail : why there is no value, or what to know about it.
    contributions : what `uncertainty` is made of; none in records of earlier versions.
    freedom : effective degrees of freedom of `uncertainty`, None for infinitely many.

    Raises
    ------
    ValueError
        If a value is NaN or infinite, or value and outcome contradict each other.
    """

    name: str
    unit: str
    value: float | None
    uncertainty: float | None = None
    resolution: float = 0.0
    outcome: Outcome = Outcome.VALUE
    detail: str = ""
    contributions: tuple[Contribution, ...] = ()
    freedom: float | None = None

    def __post_init__(self) -> None:
        if (self.value is None) is (self.outcome is Outcome.VALUE):
            raise ValueError(f"{self.name}: outcome {self.outcome.value!r} with {self.value!r}")
        for number in (self.value, self.uncertainty):
            if number is not None and not math.isfinite(number):
                raise ValueError(f"{self.name}: {number!r} is not a finite number")

    @classmethod
    def absent(cls, name: str, unit: str, outcome: Outcome, detail: str) -> Measure:
        """A measure without a value, and why."""
        return cls(name, unit, None, None, 0.0, outcome, detail)
