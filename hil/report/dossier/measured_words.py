"""What was measured, then and now, in words, for pages, terminals and machines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from hil.core.count import many
from hil.core.measure import Measure
from hil.report.dossier.measured import THEN_BENCH, THEN_SIMULATED, Compared, Row
from hil.report.numbers import NOTHING, limits, measured, plain
from hil.report.numbers import margin as signed
from hil.verdicts.moved import LITTLE, Mean, Sense
from hil.verdicts.uncertainty import COVERAGE

Facts = dict[str, Any]


def summary(found: Compared) -> str:
    """One line for the terminal; "" if there is nothing to tell."""
    little = sum(row.little for row in found.rows)
    if not found.before:
        of = f"{little} of {many(len(found.rows), 'measure')}"
        return f"{of} {_little_left(little)}" if little else ""
    towards = sum(row.towards for row in found.rows)
    their = "its" if towards == 1 else "their"
    of = f"{towards} of {many(len(found.both), 'measure')}"
    told = (
        f"{of} moved towards {their} limits by more than {their} uncertainty, "
        f"{little} {_little_left(little)}"
    )
    if undecided := sum(row.open for row in found.rows):
        differ = "differs" if undecided == 1 else "differ"
        told += f"; {undecided} {differ} by more than is known of one start: not decidable from it"
    never = sum(_never(found).values())
    return f"{told}; {never} not compared, simulated against bench" if never else told


def _little_left(count: int) -> str:
    have, their = ("has", "its") if count == 1 else ("have", "their")
    return f"{have} less than {LITTLE:g} % of {their} band left"


def _never(found: Compared) -> Counter[str]:
    """How many measures have only the other kind of evidence in the release before."""
    return Counter(row.apart for row in found.rows if row.apart in (THEN_SIMULATED, THEN_BENCH))


def remarks(found: Compared) -> Iterator[str]:
    """What has to be known of the comparison, in sentences."""
    for why, count in _never(found).items():
        yield f"{many(count, 'measure')}: {why}."
    for when, names in zip(("of the release before", "of now"), found.doubted, strict=True):
        if names:
            yield f"In doubt are the numbers {when} from {', '.join(names)}."


def value(mean: Mean | None, lacking: int, unit: str) -> str:
    """A mean with its expanded uncertainty, and of how many repetitions it is."""
    if mean is None:
        return NOTHING if not lacking else f"no value in {many(lacking, 'repetition')}"
    told = measured(Measure("", unit, mean.value, mean.uncertainty, freedom=mean.freedom))
    of = f"mean of {mean.count}" if mean.count > 1 else ""
    without = f"{lacking} without a value" if lacking else ""
    more = ", ".join(part for part in (of, without) if part)
    return f"{told} ({more})" if more else told


def then(row: Row) -> str:
    """What it was."""
    return value(row.then, row.lacking[0], _unit(row))


def now(row: Row) -> str:
    """What it is."""
    return value(row.now, row.lacking[1], _unit(row))


def difference(row: Row) -> str:
    """By how much it changed, with the expanded uncertainty of that."""
    if row.move is None:
        return NOTHING
    half = None if row.move.uncertainty is None else row.move.uncertainty / COVERAGE
    told = measured(Measure("", _unit(row), row.move.difference, half))
    return told if row.move.difference <= 0.0 else f"+{told}"


def finding(row: Row) -> str:
    """What follows from the difference."""
    move = row.move
    if move is None:
        return row.apart
    if move.difference == 0.0:
        return "the same"
    if move.open:
        return f"{move.sense}; not decidable from one start, whose scatter nobody knows"
    if move.beyond is None:
        return f"{move.sense}; its uncertainty is not stated, so that may be chance"
    if not move.beyond:
        return "within its uncertainty"
    of = f"{row.earlier.runs} earlier runs" if row.earlier is not None else "the other release"
    whose = [
        f" (measured once {when}, with the scatter of {of})"
        for when, mean in (("then", row.then), ("now", row.now))
        if mean is not None and mean.count == 1
    ]
    return f"beyond its uncertainty, {move.sense}{''.join(whose)}"


def left(row: Row) -> str:
    """The smallest margin of now, in the unit and of the span of the band."""
    judgement = row.nearest
    told = signed(judgement.margin, judgement.band.unit)
    share = "" if row.share is None else f", {plain(row.share, 3)} % of the span"
    return f"{told}{share} ({limits(judgement.band)})"


def facts(found: Compared) -> Facts:
    """The comparison as JSON data."""
    return {
        "little-below-percent": LITTLE,
        "compared": len(found.both),
        "towards-beyond-uncertainty": sum(row.towards for row in found.rows),
        "away-beyond-uncertainty": sum(row.away for row in found.rows),
        "not-decidable-from-one-start": sum(row.open for row in found.rows),
        "little-left": sum(row.little for row in found.rows),
        "never-compared": sum(_never(found).values()),
        "remarks": list(remarks(found)),
        "measures": [_row(row) for row in found.rows],
    }


def _row(row: Row) -> Facts:
    band = row.nearest.band
    return {
        "plan": row.key.plan,
        "item": row.key.item,
        "measure": row.key.measure,
        "unit": _unit(row),
        "evidence": "simulated" if row.key.simulated else "bench",
        "then": _mean(row.then, row.lacking[0]),
        "now": _mean(row.now, row.lacking[1]),
        "difference": None if row.move is None else row.move.difference,
        "uncertainty": None if row.move is None else row.move.uncertainty,
        "beyond-uncertainty": None if row.move is None else row.move.beyond,
        "scatter-known": None if row.move is None else row.move.scatter,
        "earlier-runs": None
        if row.earlier is None
        else {"runs": row.earlier.runs, "standard-deviation": row.earlier.deviation},
        "sense": None if row.move is None else _SENSES[row.move.sense],
        "not-compared": row.apart,
        "low": band.low,
        "high": band.high,
        "margin": row.nearest.margin,
        "margin-percent-of-span": row.share,
        "verdict": row.verdict.value,
        "little-left": row.little,
    }


_SENSES = {Sense.TOWARDS: "towards", Sense.AWAY: "away", Sense.NEITHER: "neither"}


def _mean(mean: Mean | None, lacking: int) -> Facts | None:
    if mean is None and not lacking:
        return None
    return {
        "value": None if mean is None else mean.value,
        "expanded-uncertainty": None if mean is None else mean.expanded,
        "repetitions": 0 if mean is None else mean.count,
        "without-value": lacking,
    }


def _unit(row: Row) -> str:
    return row.nearest.band.unit
