"""The plan file: scenarios, the matrix each is run over, and pass bands.

Order of items: scenarios as they stand in the file; within one, the axes of its matrix as written,
the first one changing slowest. The id of an item is the id of its scenario and the value of each
axis, in the same order: ``start.hall.cw.24v.2000rpm``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from hil.core.band import Band, Rule
from hil.core.drive import Direction, Sensing
from hil.plan.model import Count, Model, Name, Text
from hil.plan.parameters import Parameters
from hil.plan.source import Source, Where, describe
from hil.plan.units import Ratio
from hil.verdicts.samples import RateTarget
from hil.verdicts.sequence import Series

Share = Annotated[float, Field(ge=0.0, le=10.0)]
Risk = Annotated[Ratio, Field(gt=0.0, lt=50.0)]


class Guard(Model):
    """How far from a limit a guarded band decides; one of the two, or neither."""

    guard: Share | None = None
    risk: Risk | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if self.guard is not None and self.risk is not None:
            raise ValueError("guard and risk say the same in two ways: one of them must go")
        return self


#: Keys of `Success`, which a band does not take.
OF_ALL = ("sequential", "at-least", "confidence")


class BandText(Guard):
    """Limits as written; they get their unit from the measure.

    `exactly` stands for both limits at once. `when` names the part of the matrix it is for. A
    guarded band may say how wide its guard band is: `guard` times the expanded uncertainty, or as
    wide as it takes to keep the `risk` of a wrong verdict.
    """

    min: Any = None
    max: Any = None
    exactly: Any = None
    rule: Rule | None = None
    requirement: str = ""
    when: dict[str, Any] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _of_one_repetition(cls, data: Any) -> Any:
        if isinstance(data, str | int | float | list):
            such = data if re.search(r"^[^\[]*\d", str(data)) else "..."
            raise ValueError(f"expected limits such as {{max: {such}}}, found {describe(data)}")
        if isinstance(data, dict) and (found := [key for key in OF_ALL if key in data]):
            raise ValueError(
                f"{found[0]} judges all repetitions together, a band each by itself: write it "
                f"beside 'bands', not under it: 'success: {{{found[0]}: ...}}'"
            )
        return data


class SequentialText(Model):
    """Failure rates to be told apart, and the risks of taking one for the other."""

    good: Ratio
    bad: Ratio
    alpha: Ratio = 5.0
    beta: Ratio = 5.0

    @model_validator(mode="after")
    def _apart(self) -> Self:
        if not 0.0 < self.good < self.bad < 100.0:
            raise ValueError(
                "expected good above 0 %, less than bad, and bad below 100 %, found good "
                f"{self.good:g} %, bad {self.bad:g} %"
            )
        return self


class Success(Model):
    """What the repetitions must show as a sample: a share, or a rate tested as they come in.

    With `sequential` the series ends as soon as it has decided; it has no repeats of its own.
    """

    at_least: Ratio | None = None
    confidence: Ratio = 95.0
    sequential: SequentialText | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Success:
        if (self.at_least is None) is (self.sequential is None):
            raise ValueError("expected one of at-least, sequential")
        return self


def _listed(value: object) -> object:
    if value == "none":
        return [None]
    if value is None:
        raise ValueError("expected limits such as {max: 10 %}, or the word none, found nothing")
    return value if isinstance(value, list | tuple) else [value]


#: One band, a list of bands for parts of the matrix, or the word none (here None), which drops a
#: default.
Bands = dict[str, Annotated[tuple[BandText | None, ...], BeforeValidator(_listed)]]


class Defaults(Guard):
    """What holds for every scenario unless it says otherwise."""

    rule: Rule = Rule.SIMPLE
    tolerance: Text | None = None
    within: Text | None = None
    bands: Bands = Field(default_factory=dict)


class ScenarioHead(Model):
    """The keys that all kinds of scenario share; the rest are parameters and conditions."""

    id: Name
    scenario: Text
    title: str = ""
    requirements: tuple[Text, ...] = ()
    matrix: dict[str, Any] = Field(default_factory=dict)
    bands: Bands = Field(default_factory=dict)
    success: Success | None = None


class PlanHead(Model):
    """The keys of a plan file; scenarios are read one by one."""

    format: Literal[1]
    plan: Name
    description: str = ""
    rig: str = ""
    pairs: Literal["required", "optional"] = "optional"
    defaults: Defaults = Defaults()
    scenarios: Annotated[list[dict[str, Any]], Field(min_length=1)]


class Repeats(Model):
    """The one entry of a matrix that is not an axis."""

    repeats: Count = 1


@dataclass(frozen=True, slots=True)
class Case:
    """One cell of a matrix.

    Parameters
    ----------
    slug : the parts that the axes add to the id.
    direction, sensing, supply, load : conditions; None where the rig decides.
    values : every condition and parameter by key, canonical, for ``when``.
    where : key of a condition or parameter -> its place in the file.
    """

    slug: tuple[str, ...]
    direction: Direction
    sensing: Sensing | None
    supply: float | None
    load: float
    parameters: Parameters
    values: Mapping[str, object]
    where: Mapping[str, Where]


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario and the cells of its matrix, in order."""

    head: ScenarioHead
    where: Where
    kind: str
    repeats: int
    cases: tuple[Case, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan file as read; `hil.plan.expand` makes items of it for one rig."""

    path: Path
    name: str
    description: str
    rig_path: Path | None
    pairs_required: bool
    defaults: Defaults
    scenarios: tuple[Scenario, ...]
    source: Source


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedItem:
    """One item: a manoeuvre under fixed conditions, and the bands that judge it.

    Parameters
    ----------
    id : unique in its plan, ``[a-z0-9._-]`` only.
    kind : start, reversal, stall, speed-step, protection, derating, steps.
    parameters : one of the classes of `hil.plan.kinds`, canonical units.
    supply_voltage, load : V and N m (brake torque held throughout).
    attended : the rig has no brake, and a person stands in for it.
    lacks : what it needs and the rig has not, in words: then it is collected and not run.
    repeats : how many times it is run.
    bands : at most one a measure.
    success : what the repetitions must show as a sample, or None.
    series : the sequential test that ends the repetitions, or None.
    file, line : where its scenario stands.
    """

    id: str
    kind: str
    title: str
    parameters: Parameters
    direction: Direction
    sensing: Sensing
    supply_voltage: float
    load: float
    repeats: int
    bands: tuple[Band, ...]
    success: RateTarget | None
    series: Series | None
    requirements: tuple[str, ...]
    plan: str
    file: str
    line: int
    attended: bool = False
    lacks: str = ""

    @property
    def marks(self) -> tuple[str, ...]:
        """Requirements that it, or one of its bands, names."""
        banded = (band.requirement for band in self.bands if band.requirement)
        return tuple(dict.fromkeys((*self.requirements, *banded)))

    def describe(self) -> dict[str, str]:
        """Conditions and speeds in words, for records and reports."""
        words = {
            "direction": self.direction.word,
            "sensing": self.sensing.value,
            "supply": f"{self.supply_voltage:g} V",
        }
        if self.load:
            words["load"] = f"{self.load:g} N*m"
        for key, speed in self.parameters.speeds():
            if key != "steps":
                words[key] = f"{speed:g} rpm"
        for key, torque in self.parameters.torques():
            if key != "steps":
                words[key] = f"{torque:g} N*m"
        if self.attended:
            words["brake"] = "by hand"
        if self.series is not None:
            words["repeats"] = f"until decided, at most {self.repeats}"
        elif self.repeats > 1:
            words["repeats"] = str(self.repeats)
        return words
