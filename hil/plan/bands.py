"""Pass bands as written, given the units of their measures and held against a matrix."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hil.core.alike import nearest
from hil.core.band import Band, Rule
from hil.core.quantity import CANONICAL_UNITS
from hil.plan.matrix import Wrong, known_keys, matches, read_when
from hil.plan.plan import BandText, Defaults
from hil.plan.source import Problem, Source, Where, describe, place
from hil.plan.units import convert

_KIND_OF_UNIT = {unit: kind for kind, unit in CANONICAL_UNITS.items()}

#: Bands of one measure as written.
Texts = tuple[BandText | None, ...]


@dataclass(frozen=True, slots=True)
class PartBand:
    """A band, the part of the matrix it is for, and where it stands; None for the word none."""

    where: Where
    when: Mapping[str, tuple[object, ...]]
    band: Band | None


class BandTable:
    """The bands of one scenario, or the defaults as they concern one scenario.

    Parameters
    ----------
    kind : kind of scenario.
    units : measure -> canonical unit.
    preset : decision rule and guard of bands that state none.
    strict : False for defaults, which may speak of measures and keys of other kinds.

    Attributes
    ----------
    problems : what is wrong with them.
    """

    def __init__(
        self, source: Source, kind: str, units: Mapping[str, str], preset: Defaults, *, strict: bool
    ) -> None:
        self._source, self._kind, self._units, self._preset = source, kind, units, preset
        self._strict = strict
        self._entries: dict[str, list[PartBand]] = {}
        self._used: set[Where] = set()
        self.problems: list[Problem] = []

    def read(self, where: Where, texts: Mapping[str, Texts]) -> None:
        """Take in the mapping ``bands`` that stands at `where`."""
        for name, entries in texts.items():
            at: Where = (*where, name)
            if name not in self._units:
                if self._strict:
                    said = f"{self._kind} has no measure {name!r}{nearest(name, self._units)}"
                    self._complain(at, f"{place(where)}: {said}", key=True)
                continue
            listed = (*at, 0) in self._source.values
            for index, entry in enumerate(entries):
                try:
                    part = self._part((*at, index) if listed else at, name, entry)
                except Wrong as error:
                    self.problems += error.problems
                else:
                    self._entries.setdefault(name, []).extend(part)

    def names(self) -> tuple[str, ...]:
        """Measures in the order written."""
        return tuple(self._entries)

    def fitting(self, name: str, values: Mapping[str, object]) -> PartBand | None:
        """The one band of a measure for a cell of the matrix; two at once are a problem."""
        found = [entry for entry in self._entries.get(name, ()) if matches(entry.when, values)]
        self._used.update(entry.where for entry in found)
        if len(found) > 1:
            line = self._source.position(found[0].where).line
            self._complain(
                found[1].where,
                f"{place(found[1].where)}: two bands apply at once, the other at line {line}",
            )
        return found[0] if found else None

    def check_used(self) -> None:
        """A part of the matrix that does not exist is a problem (after all cells were asked)."""
        for entry in (entry for entries in self._entries.values() for entry in entries):
            if entry.when and entry.where not in self._used:
                where = (*entry.where, "when")
                self._complain(where, f"{place(where)}: fits no part of the matrix")

    def _complain(self, where: Where, text: str, *, key: bool = False) -> None:
        self.problems.append(self._source.problem(where, text, key=key))

    def _part(self, at: Where, name: str, text: BandText | None) -> list[PartBand]:
        if text is None:
            return [PartBand(at, {}, None)]
        keys = known_keys(self._kind)
        if not self._strict and not set(text.when) <= set(keys):
            return []
        when = read_when(self._source, (*at, "when"), text.when, self._kind, keys)
        both = text.exactly is not None
        if both and (text.min is not None or text.max is not None):
            said = f"{place(at)}: 'exactly' stands for both limits, so neither min nor max may stay"
            raise Wrong([self._source.problem(at, said)])
        low = self._limit(at, "exactly" if both else "min", text, self._units[name])
        high = self._limit(at, "exactly" if both else "max", text, self._units[name])
        try:
            rule, guard, risk = self._decision(at, text)
            band = Band(name, low, high, self._units[name], rule, text.requirement, guard, risk)
        except ValueError as error:
            said = str(error).removeprefix(f"{name}: ")
            raise Wrong([self._source.problem(at, f"{place(at)}: {said}")]) from error
        return [PartBand(at, when, band)]

    def _decision(self, at: Where, text: BandText) -> tuple[Rule, float, float | None]:
        """Rule, guard and risk of a band: its own, or those of the defaults."""
        rule = text.rule or self._preset.rule
        stated = text if text.guard is not None or text.risk is not None else self._preset
        if rule is Rule.SIMPLE:
            if stated is text:
                key = "guard" if text.guard is not None else "risk"
                said = f"{place((*at, key))}: only a band with 'rule: guarded' has a {key}"
                raise Wrong([self._source.problem((*at, key), said, key=True)])
            return rule, 1.0, None
        guard = 1.0 if stated.guard is None else stated.guard
        return rule, guard, None if stated.risk is None else stated.risk / 100.0

    def _limit(self, at: Where, key: str, text: BandText, unit: str) -> float | None:
        raw: Any = getattr(text, key)
        if raw is None:
            return None
        try:
            return convert(raw, _KIND_OF_UNIT[unit])
        except ValueError as error:
            said = str(error)
            if unit == "1":
                said = f"expected a plain number, found {describe(raw)}"
            where = (*at, key)
            raise Wrong([self._source.problem(where, f"{place(where)}: {said}")]) from error
