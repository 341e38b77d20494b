"""What must trip has a partner that must not, just inside the limit: `pairs: required`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from hil.plan.kinds import StallParameters
from hil.plan.plan import PlannedItem, Scenario
from hil.plan.protective import ProtectionParameters

Planned = tuple[Scenario, PlannedItem]


def without_partner(pairs: Sequence[Planned]) -> Iterator[tuple[Scenario, str]]:
    """Each item that must trip and has no partner: its scenario, and what is missing."""
    partners = {_alike(item) for _, item in pairs if _expects(item) == "no-trip"}
    for scenario, item in pairs:
        if _expects(item) == "trip" and _alike(item) not in partners:
            yield (
                scenario,
                f"{item.id} must trip, but no {item.kind} with 'expect: no-trip' has the same "
                f"{_what(item)} ('pairs: required')",
            )


def partners_of(items: Sequence[PlannedItem]) -> dict[str, tuple[str, ...]]:
    """Item that must trip -> its partners, both by their ids."""
    return {
        item.id: tuple(
            other.id
            for other in items
            if _expects(other) == "no-trip" and _alike(other) == _alike(item)
        )
        for item in items
        if _expects(item) == "trip"
    }


def _alike(item: PlannedItem) -> tuple[object, ...]:
    """What a pair has in common: for a stall the speed, else the faults."""
    p = item.parameters
    own = frozenset(p.fault) if isinstance(p, ProtectionParameters) else p.target
    return item.kind, item.direction, item.sensing, own


def _what(item: PlannedItem) -> str:
    if isinstance(item.parameters, ProtectionParameters):
        return f"direction, sensing and fault ({', '.join(item.parameters.fault)})"
    return "direction, sensing and speed"


def _expects(item: PlannedItem) -> str:
    p = item.parameters
    return p.expect if isinstance(p, StallParameters | ProtectionParameters) else ""
