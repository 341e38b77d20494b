"""The requirement file of a release: what must be shown, by which items and measures, how well.

format: 1
release: dosing-pump
requirements:
  - id: PUMP-START-1
    text: The pump starts from standstill in both directions.
    sample: {size: 59, at-least: 95 %, confidence: 95 %}
    verified-by:
      - {plan-requirement: PUMP-START-1}           # the default: its own id in the plans
      - {items: "start-series.*", measures: [success]}
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from hil.core.alike import nearest
from hil.core.roles import INSTRUMENTS
from hil.plan.checked import read_checked, repeated
from hil.plan.model import Count, Model, Name, Text
from hil.plan.source import Problem, Source
from hil.plan.units import Ratio
from hil.verdicts.samples import RateTarget, trials_without_failure

Kind = Literal["bench", "simulated-is-enough"]


class Sample(Model):
    """Sample size and confidence that are claimed.

    `of`: measure that says of one trial whether it succeeded (1) or not (0).
    """

    size: Count | None = None
    at_least: Ratio | None = None
    confidence: Ratio | None = None
    of: Text = "success"

    @property
    def target(self) -> RateTarget | None:
        """The share of successes to be demonstrated, if one is claimed."""
        if self.at_least is None:
            return None
        return RateTarget(self.at_least, 95.0 if self.confidence is None else self.confidence)

    @model_validator(mode="after")
    def _claims_something(self) -> Self:
        if self.size is None and self.at_least is None:
            raise ValueError("expected a size, or a share at-least, or both")
        if self.confidence is not None and self.at_least is None:
            raise ValueError("a confidence without the share (at-least) that it is for")
        target = self.target
        if target is None or self.size is None:
            return self
        needed = trials_without_failure(target.at_least / 100.0, target.confidence / 100.0)
        if self.size < needed:
            raise ValueError(
                f"{self.size} trials cannot show {target.at_least:g} % with "
                f"{target.confidence:g} % confidence, not even without a failure; it takes {needed}"
            )
        return self


class VerifiedBy(Model):
    """Part of the evidence: what plans mark with a requirement, or items by a pattern.

    `items`: pattern of item ids, with ``*`` and ``?``. `measures`: only the judgements of these;
    none: the items as a whole. `plan`: only items of this plan.
    """

    plan_requirement: Text | None = None
    items: Text | None = None
    measures: tuple[Text, ...] = ()
    plan: str = ""

    @model_validator(mode="after")
    def _names_something(self) -> Self:
        if (self.plan_requirement is None) is (self.items is None):
            raise ValueError("expected one of plan-requirement, items")
        if self.measures and self.items is None:
            raise ValueError("measures need the items that they are taken of")
        return self

    def __str__(self) -> str:
        words = f"marked {self.plan_requirement}" if self.items is None else f"items {self.items}"
        words += f", measures {', '.join(self.measures)}" if self.measures else ""
        return words + (f", of plan {self.plan}" if self.plan else "")


class Requirement(Model):
    """One requirement.

    `supports`: clause of a standard or contract for which the evidence is arranged. `evidence`
    None: as the file says for all.
    """

    id: Text
    text: Text
    supports: str = ""
    verified_by: tuple[VerifiedBy, ...] = ()
    sample: Sample | None = None
    evidence: Kind | None = None

    @property
    def sources(self) -> tuple[VerifiedBy, ...]:
        """Where the evidence comes from; without a word what the plans mark with its id."""
        return self.verified_by or (VerifiedBy(plan_requirement=self.id),)


class RequirementFile(Model):
    """A requirement file."""

    format: Literal[1]
    release: Name
    description: str = ""
    evidence: Kind = "bench"
    calibration_not_needed: dict[Text, Text] = Field(default_factory=dict)  # role -> reason
    requirements: Annotated[tuple[Requirement, ...], Field(min_length=1)]

    def kind_of(self, requirement: Requirement) -> Kind:
        """Which evidence is enough for a requirement."""
        return requirement.evidence or self.evidence


def load_requirements(path: Path | str) -> RequirementFile:
    """Read a requirement file.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    return read_checked(RequirementFile, path, _check, kind="requirements")


def _check(found: RequirementFile, source: Source) -> Iterator[Problem]:
    yield from repeated(source, ("requirements",), "id", [one.id for one in found.requirements])
    for role in found.calibration_not_needed:
        if role not in INSTRUMENTS:
            hint = nearest(role, INSTRUMENTS)
            said = f"calibration-not-needed: no instrument is called {role!r}{hint}"
            yield source.problem(("calibration-not-needed", role), said, key=True)
