"""The measures of one item as the rows of its tables."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.record import ItemResult
from hil.core.verdict import SEVERITY, Judgement, Verdict, combine
from hil.report.budgets import BudgetRow, budget_rows
from hil.report.numbers import NOTHING, in_unit, limits, margin, measured, plain, share
from hil.store.table import judged

#: Word shown where a measure has no band.
NO_BAND = "no band"


@dataclass(frozen=True)
class Row:
    """One measure of one repetition, ready to print."""

    measure: str
    value: str
    band: str
    margin: str
    verdict: str
    rule: str
    conformance: str
    reason: str
    repeat: int
    requirement: str


@dataclass(frozen=True)
class Spread:
    """One measure over all repetitions, ready to print.

    `met` is ``k of n``: how many of the n repetitions met the band, or have a value without one.
    """

    measure: str
    met: str
    low: str
    median: str
    high: str
    band: str
    worst_margin: str
    verdict: str


@dataclass(frozen=True)
class Tables:
    """What an item shows: `single` for the item as a whole, `spreads` and `each` for repetitions.

    An item with one repetition has everything in `single`. `budgets` has each measure once: of
    several repetitions the one nearest to its limit.
    """

    single: tuple[Row, ...]
    spreads: tuple[Spread, ...]
    each: tuple[Row, ...]
    budgets: tuple[BudgetRow, ...] = ()


def tables(result: ItemResult) -> Tables:
    """The tables of `result`, within each the worst verdict first, else the recorded order."""
    found = list(judged(result))
    repeats = {repeat for _, repeat, _ in found if repeat}
    if len(repeats) < 2:
        return Tables(_sorted([_row(*entry) for entry in found]), (), (), budget_rows(found))
    whole = _sorted([_row(*entry) for entry in found if not entry[1]])
    groups: dict[tuple[str, Band | None], list[tuple[Measure, Judgement | None]]] = {}
    for measure, repeat, judgement in found:
        if repeat:
            key = (measure.name, judgement.band if judgement else None)
            groups.setdefault(key, []).append((measure, judgement))
    spreads = [_spread(name, band, group) for (name, band), group in groups.items()]
    spreads.sort(key=lambda spread: _rank(spread.verdict))
    each = sorted((_row(*entry) for entry in found if entry[1]), key=lambda row: row.repeat)
    return Tables(whole, tuple(spreads), tuple(each), budget_rows(found))


def _row(measure: Measure, repeat: int, judgement: Judgement | None) -> Row:
    band = judgement.band if judgement else None
    return Row(
        measure.name,
        measured(measure),
        limits(band) if band else NOTHING,
        margin(judgement.margin, measure.unit) if judgement else NOTHING,
        judgement.verdict.value if judgement else NO_BAND,
        band.rule_text if band else NOTHING,
        share(judgement.conformance) if judgement else NOTHING,
        judgement.reason if judgement else measure.detail,
        repeat,
        band.requirement if band else "",
    )


def _spread(
    name: str, band: Band | None, group: Sequence[tuple[Measure, Judgement | None]]
) -> Spread:
    values = [measure.value for measure, _ in group if measure.value is not None]
    unit = group[0][0].unit
    verdicts = [judgement.verdict for _, judgement in group if judgement]
    margins = [j.margin for _, j in group if j is not None and j.margin is not None]
    met = f"{verdicts.count(Verdict.PASS) if band else len(values)} of {len(group)}"
    if not values:
        met += f" ({measured(group[0][0])})"
    elif len(values) < len(group):
        met += f" ({len(group) - len(values)} without a value)"
    return Spread(
        name,
        met,
        *(
            (plain(min(values)), plain(statistics.median(values)), in_unit(max(values), unit))
            if values
            else (NOTHING,) * 3
        ),
        limits(band) if band else NOTHING,
        margin(min(margins), unit) if margins else NOTHING,
        combine(verdicts).value if band else NO_BAND,
    )


def _sorted(rows: list[Row]) -> tuple[Row, ...]:
    return tuple(sorted(rows, key=lambda row: _rank(row.verdict)))


def _rank(verdict: str) -> int:
    return SEVERITY.index(Verdict(verdict)) if verdict != NO_BAND else len(SEVERITY)
