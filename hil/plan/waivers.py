"""The waiver file of a release: open requirements that somebody answers for, for a time.

format: 1
waivers:
  - requirement: PUMP-START-4
    reason: The series was cut to 59 starts; the field trial covers the rest.
    approver: head of quality
    expires: 2027-01-31
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from hil.plan.checked import read_checked, repeated
from hil.plan.model import Model, Text
from hil.plan.source import Problem, Source


class Waiver(Model):
    """One waiver; it holds to the end of the day `expires`. It never changes a verdict."""

    requirement: Text
    reason: Text
    approver: Text
    approved: date | None = None
    expires: date

    def holds_on(self, day: date) -> bool:
        """Whether it has not expired on `day`."""
        return day <= self.expires


class WaiverFile(Model):
    """A waiver file; an empty list is allowed, so that the file may stay when all is well."""

    format: Literal[1]
    waivers: Annotated[tuple[Waiver, ...], Field()] = ()


def load_waivers(path: Path | str) -> tuple[Waiver, ...]:
    """Read a waiver file.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    return read_checked(WaiverFile, path, _check, kind="waivers").waivers


def _check(found: WaiverFile, source: Source) -> Iterator[Problem]:
    named = [one.requirement for one in found.waivers]
    yield from repeated(source, ("waivers",), "requirement", named)
    for number, waiver in enumerate(found.waivers):
        if waiver.approved is not None and waiver.approved > waiver.expires:
            said = f"waivers[{number + 1}].expires: {waiver.expires} lies before its approval"
            yield source.problem(("waivers", number, "expires"), said)
