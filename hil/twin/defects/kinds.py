"""What a seeded defect is."""

from __future__ import annotations

import re
from dataclasses import dataclass, fields

from hil.twin.defects.sources import Edit, Macro
from hil.twin.reference.settings import SEAMS, ReferenceSettings
from hil.twin.variation import Change, Variation
from hil.verdicts.samples import chance_to_see

#: What a defect can be about; every one has at least one of these.
TOPICS = (
    "start",
    "alignment",
    "handover",
    "timing",
    "blanking",
    "hall-table",
    "direction",
    "regulation",
    "anti-windup",
    "scaling",
    "over-current",
    "stall",
    "latching",
    "restart",
    "reversal",
    "stop",
    "limits",
    "set-point",
    "supply",
    "temperature",
    "telemetry",
    "link",
    "reset",
    "uptime",
    "intermittent",
)
#: Why a defect is hard to see.
SUBTLE = (
    "witness-only",  # the firmware's own numbers agree with one another
    "one-direction",
    "one-sensing",
    "one-corner",  # of supply, speed or load
    "after-fault",
    "long-run",
    "by-chance",
)

_SETTINGS = frozenset(field.name for field in fields(ReferenceSettings)) - {"defects"}
_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True)
class Seed:
    """How a defect gets into the reference firmware.

    Parameters
    ----------
    place : a seam (`hil.twin.reference.settings.SEAMS`) or a setting of `ReferenceSettings`; a
        number behind a dot picks one value of a setting that has several.
    value : what it becomes.
    """

    place: str
    value: float

    def __post_init__(self) -> None:
        if self.place not in SEAMS and self.place.partition(".")[0] not in _SETTINGS:
            raise ValueError(f"no seam and no setting is called {self.place!r}")

    @property
    def path(self) -> str:
        """The parameter as `hil.twin.variation` names it."""
        return f"firmware.defects.{self.place}" if self.place in SEAMS else f"firmware.{self.place}"

    def __str__(self) -> str:
        return f"{self.place} = {self.value:g}"


@dataclass(frozen=True, slots=True)
class Defect:
    """One way to be wrong.

    Parameters
    ----------
    name : kebab-case, unique.
    consequence : what can be seen from outside, one sentence.
    seeds : how it gets in: settings and seams of the reference firmware, or macros and edits of
        sources in C.
    tags : `TOPICS` and `SUBTLE`.
    measures : names of measures that should notice it, or parts of the reason that a manoeuvre
        gives when it cannot go on; a fail for another reason is luck, not proof.
    odds : chance that one start shows it; 1 for every start.
    """

    name: str
    consequence: str
    seeds: tuple[Seed | Macro | Edit, ...]
    tags: tuple[str, ...]
    measures: tuple[str, ...]
    odds: float = 1.0

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise ValueError(f"name is {self.name!r}, expected kebab-case")
        if not self.seeds:
            raise ValueError(f"{self.name} changes nothing")
        for tag in self.tags:
            if tag not in TOPICS and tag not in SUBTLE:
                raise ValueError(f"{self.name}: no tag is called {tag!r}")
        if not set(self.tags) & set(TOPICS):
            raise ValueError(f"{self.name}: tags name none of {', '.join(TOPICS)}")
        if not 0.0 < self.odds <= 1.0:
            raise ValueError(f"{self.name}: odds are {self.odds}, expected 0 to 1")

    @property
    def intermittent(self) -> bool:
        """Whether it shows only now and then."""
        return self.odds < 1.0

    @property
    def variation(self) -> Variation:
        """The simulated rig with this firmware."""
        changes = [
            Change(seed.path, seed.value) for seed in self.seeds if not isinstance(seed, Edit)
        ]
        edits = tuple(seed for seed in self.seeds if isinstance(seed, Edit))
        if edits:
            changes.append(Change("firmware.edits", edits))
        return Variation(self.name, tuple(changes))

    def chance(self, starts: int) -> float:
        """Chance that `starts` starts show it at least once: 1 - (1 - odds)^starts."""
        return chance_to_see(self.odds, starts)

    def explains(self, reason: str) -> bool:
        """Whether a verdict's reason names what this defect should be noticed by."""
        return any(
            re.search(rf"(?<![\w-]){re.escape(text)}(?![\w-])", reason) for text in self.measures
        )
