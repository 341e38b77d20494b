"""What the judged measures of a run mean, in the words of the catalogue."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hil.core.measure import Definition
from hil.core.record import ItemResult
from hil.measures.catalogue import KINDS, definitions


@dataclass(frozen=True)
class Defined:
    """A definition, and the kinds of scenario whose measures were judged by it."""

    definition: Definition
    kinds: tuple[str, ...]


def defined(results: Iterable[ItemResult]) -> tuple[Defined, ...]:
    """The definition of every judged measure, by name; once where kinds of scenario share it.

    What is no measure of a kind (a rate of success, a figure of a scenario in Python) explains
    itself in its verdict.
    """
    judged = {
        (result.scenario, judgement.measure.name)
        for result in results
        for judgement in result.judgements
        if result.scenario in KINDS
    }
    kinds: dict[Definition, list[str]] = {}
    for kind, name in sorted(judged, key=lambda one: (one[1], KINDS.index(one[0]))):
        known = definitions(kind).get(name)
        if known is not None:
            kinds.setdefault(known, []).append(kind)
    return tuple(Defined(definition, tuple(those)) for definition, those in kinds.items())
