"""What a look at a bench finds."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    """How a finding stands."""

    OK = "ok"
    WARNING = "warning"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    listing : lines that another program printed, to be shown as they are.
    """

    what: str
    grade: Grade
    detail: str
    listing: tuple[str, ...] = ()
