"""What the uncertainty of each measure is made of, ready to print."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from hil.core.budget import Contribution, Shape
from hil.core.measure import Measure
from hil.core.verdict import Judgement
from hil.report.numbers import NOTHING, in_unit, plain, share
from hil.verdicts.uncertainty import interval_factor


@dataclass(frozen=True)
class BudgetRow:
    """One measure: standard uncertainty, contributions, interval, and the risks of its band."""

    measure: str
    uncertainty: str
    made_of: str
    freedom: str
    interval: str
    rule: str
    consumer: str
    producer: str


def budget_rows(
    found: Iterable[tuple[Measure, int, Judgement | None]],
) -> tuple[BudgetRow, ...]:
    """One row for every measure with an uncertainty; of repetitions the one nearest to its limit.

    Parameters
    ----------
    found : measure, repetition and judgement (None without a band), in the order to be printed.
    """
    nearest: dict[tuple[str, str], tuple[Measure, Judgement | None]] = {}
    for measure, _repeat, judgement in found:
        if measure.value is None or not measure.uncertainty:
            continue
        key = (measure.name, judgement.band.rule_text if judgement else "")
        if key not in nearest or _room(judgement) < _room(nearest[key][1]):
            nearest[key] = measure, judgement
    return tuple(_row(*entry) for entry in nearest.values())


def _room(judgement: Judgement | None) -> float:
    if judgement is None or judgement.margin is None:
        return float("inf")
    return judgement.margin


def _row(measure: Measure, judgement: Judgement | None) -> BudgetRow:
    unit, uncertainty = measure.unit, measure.uncertainty or 0.0
    factor = interval_factor(measure.contributions)
    interval = NOTHING
    if factor > 0.0:
        interval = f"± {in_unit(factor * uncertainty, unit)} (k = {factor:.2f})"
    return BudgetRow(
        measure.name,
        in_unit(uncertainty, unit),
        made_of(measure.contributions) or NOTHING,
        "unlimited" if measure.freedom is None else f"{measure.freedom:.0f}",
        interval,
        judgement.band.rule_text if judgement else NOTHING,
        share(judgement.consumer_risk) if judgement else NOTHING,
        share(judgement.producer_risk) if judgement else NOTHING,
    )


def made_of(contributions: Iterable[Contribution]) -> str:
    """Contributions in words, the largest first: ``noise 0.4 (9 degrees of freedom), ...``."""
    ordered = sorted(contributions, key=lambda part: -part.uncertainty)
    return ", ".join(_part(part) for part in ordered)


def _part(part: Contribution) -> str:
    said = [part.shape.value] if part.shape is not Shape.NORMAL else []
    if part.freedom is not None:
        said.append(f"{part.freedom:.0f} degrees of freedom")
    words = f"{part.source} {plain(part.uncertainty, 2)}"
    return f"{words} ({', '.join(said)})" if said else words
