"""Where the pass bands of items stand in a plan file, and the file's text with other limits.

Only the numbers are replaced, at the places where the YAML parser found them: comments, order,
aliases and spacing stay as the author wrote them.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from hil.core.band import Band
from hil.core.errors import HarnessError, PlanError
from hil.core.quantity import CANONICAL_UNITS
from hil.plan.bands import BandTable
from hil.plan.expand import Measures, expand, offered
from hil.plan.plan import Plan, PlannedItem
from hil.plan.rig import Rig
from hil.plan.source import Position, Where
from hil.plan.units import convert, split

_KIND_OF_UNIT = {unit: kind for kind, unit in CANONICAL_UNITS.items()}


@dataclass(slots=True)
class BandEntry:
    """One band as it stands in the file, and the items it is for.

    Parameters
    ----------
    position : of the entry; an aliased one is one entry with the items of all its users.
    band : what it says now.
    low, high : positions of its limits, None for a side it does not have.
    items : items it judges, in order.
    """

    position: Position
    band: Band
    low: Position | None
    high: Position | None
    items: list[str] = field(default_factory=list)


def band_entries(
    plan: Plan, rig: Rig, measures: Measures
) -> tuple[tuple[PlannedItem, ...], list[BandEntry]]:
    """Items of a plan, and its band entries in the order of the file; unused ones are left out.

    Raises
    ------
    PlanError
        As `hil.plan.expand.expand`.
    """
    items = expand(plan, rig, measures)
    entries: dict[Position, BandEntry] = {}
    ordered = iter(items)
    for scenario in plan.scenarios:
        units = measures.get(scenario.kind, {})
        own, preset = (
            BandTable(plan.source, scenario.kind, units, plan.defaults, strict=strict)
            for strict in (True, False)
        )
        own.read((*scenario.where, "bands"), scenario.head.bands)
        preset.read(("defaults", "bands"), plan.defaults.bands)
        for case in scenario.cases:
            if not offered(case, rig):
                continue
            item = next(ordered)
            values = {**case.values, "sensing": item.sensing.value, "supply": item.supply_voltage}
            for name in dict.fromkeys((*own.names(), *preset.names())):
                part = own.fitting(name, values) or preset.fitting(name, values)
                if part is not None and part.band is not None:
                    _entry(entries, plan, part.where, part.band).items.append(item.id)
    return items, sorted(entries.values(), key=lambda e: (e.position.line, e.position.column))


def _entry(entries: dict[Position, BandEntry], plan: Plan, where: Where, band: Band) -> BandEntry:
    values = plan.source.values
    position = values[where]
    if position not in entries:
        entries[position] = BandEntry(
            position, band, values.get((*where, "min")), values.get((*where, "max"))
        )
    return entries[position]


def with_limits(
    text: str, changes: Mapping[Position, float], unit_of: Mapping[Position, str]
) -> str:
    """The text of a plan with other numbers at some places, in the units written there.

    Parameters
    ----------
    changes : position of a limit -> its new value in the canonical unit.
    unit_of : the canonical unit of each.

    Raises
    ------
    HarnessError
        If there is no quantity at a place.
    """
    spans = _scalars(text)
    edited = text
    for position in sorted(changes, key=lambda p: (p.line, p.column), reverse=True):
        found = spans.get((position.line, position.column))
        if found is None:
            raise HarnessError(f"{position}: expected the limit of a band there, found none")
        start, end, written = found
        kind = _KIND_OF_UNIT[unit_of[position]]
        unit = split(written)[1]
        scale = convert(f"1 {unit}", kind)
        new = f"{changes[position] / scale:.10g} {unit}"
        quote = edited[start] if edited[start] in "'\"" else ""
        edited = edited[:start] + quote + new + quote + edited[end:]
    return edited


def _scalars(text: str) -> dict[tuple[int, int], tuple[int, int, str]]:
    """(line, column) from 1 -> start, end and value of every scalar of a YAML text."""
    from ruamel.yaml import YAML

    found: dict[tuple[int, int], tuple[int, int, str]] = {}
    pending = [YAML(typ="rt", pure=True).compose(text)]
    seen: set[int] = set()
    while pending:
        node = pending.pop()
        if id(node) in seen:
            continue
        seen.add(id(node))
        if node.id == "scalar":
            mark = node.start_mark
            place = (mark.line + 1, mark.column + 1)
            found[place] = (mark.index, node.end_mark.index, str(node.value))
        elif node.id == "mapping":
            pending += [part for pair in node.value for part in pair]
        else:
            pending += node.value
    return found


def read_text(path: Path) -> str:
    """Text of a plan file, line ends untouched.

    Raises
    ------
    PlanError
        If it cannot be read.
    """
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"cannot be read: {error}", file=str(path)) from error


def unified(path: Path, before: str, after: str) -> str:
    """Unified diff of a file, "" if nothing changed."""
    lines = difflib.unified_diff(
        before.splitlines(keepends=True),
        after.splitlines(keepends=True),
        f"a/{path.as_posix()}",
        f"b/{path.as_posix()}",
    )
    return "".join(
        line if line.endswith("\n") else f"{line}\n\\ No newline at end of file\n" for line in lines
    )
