"""What becomes of one band of a plan, given what its items measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hil.cli.plan_edit import BandEntry
from hil.core.band import Band
from hil.plan.source import Position
from hil.verdicts.baseline import Baseline, Key
from hil.verdicts.proposal import Proposal, Wish, data_may_set, propose, widest


@dataclass(frozen=True, slots=True)
class Draft:
    """What becomes of one band entry: `band` is None if it stays, with the reason in `why`."""

    entry: BandEntry
    proposals: tuple[Proposal, ...]
    band: Band | None
    why: str = ""

    @property
    def fixed(self) -> bool:
        """Whether it is of a kind that data never sets."""
        return not data_may_set(self.entry.band)

    def changes(self) -> dict[Position, float]:
        """Position of each limit that changes -> its new value."""
        if self.band is None:
            return {}
        old, new = self.entry.band, self.band
        sides = ((self.entry.low, old.low, new.low), (self.entry.high, old.high, new.high))
        return {
            place: after
            for place, before, after in sides
            if place is not None and after is not None and after != before
        }


def draft_entry(
    entry: BandEntry, baselines: Mapping[Key, Baseline], wish: Wish, requirements: bool
) -> Draft:
    """Propose for every item of an entry; the entry takes the widest, or stays as it is.

    It stays if there is no proposal for one of its items, which a band drawn from the others might
    not fit, and if it stands for a requirement (unless `requirements`).
    """
    measure, unit = entry.band.measure, entry.band.unit
    found = [baselines.get((i, measure)) or Baseline(i, measure, unit) for i in entry.items]
    proposals = tuple(propose(base, entry.band, wish) for base in found if base.applies)
    if not proposals:
        return Draft(entry, proposals, None, "it applies to none of its items")
    missing = [p for p in proposals if p.band is None]
    if missing:
        others = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        why = f"{missing[0].baseline.item}{others}: {missing[0].remarks[0]}"
        return Draft(entry, proposals, None, why)
    band = widest(p.band for p in proposals if p.band is not None)
    if entry.band.requirement and not requirements:
        return Draft(entry, proposals, None, f"stands for {entry.band.requirement}")
    return Draft(entry, proposals, band)
