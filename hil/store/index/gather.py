"""A run record to the rows that the index keeps of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from hil.core.errors import StoreError
from hil.core.measure import Measure, Outcome
from hil.core.record import DESELECTED, ItemResult, RunEnd, RunStart
from hil.core.verdict import SEVERITY, Judgement, Verdict
from hil.store.fingerprint import limits_fingerprint, plan_fingerprint, rig_fingerprint
from hil.store.index.rows import BENCH, OUTCOMES, SIMULATED, VERDICTS
from hil.store.index.schema import COUNTS
from hil.store.reading import RunRecord, was_interrupted
from hil.store.table import judged

_VERDICT = {word: code for code, word in enumerate(VERDICTS)}
_OUTCOME = {word: code for code, word in enumerate(OUTCOMES)}
_SEVERITY = {verdict: n for n, verdict in enumerate(SEVERITY)}
_LARGEST = 2**31 - 1

#: plan, item, measure, unit: with rig and evidence of the run, the key of a series.
PartKey = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class Gathered:
    """Rows of one run, without the numbers that the database gives them.

    Parameters
    ----------
    run : columns of `runs`, apart from place, size, hash and state.
    items : columns of `items`, one row a result.
    figures : position of the item, key of the series, then the columns of `FIGURE` from ``repeat``.
    """

    run: dict[str, Any]
    items: list[dict[str, Any]]
    figures: list[tuple[int, PartKey, tuple[Any, ...]]]


def gather(record: RunRecord) -> Gathered:
    """Everything the index keeps of `record`.

    A measure that has no meaning under its conditions and no band is left out; all others are
    there, with a value or without.

    Raises
    ------
    StoreError
        If a time in the record is none.
    """
    start, end = record.start, record.end
    items: list[dict[str, Any]] = []
    figures: list[tuple[int, PartKey, tuple[Any, ...]]] = []
    for position, result in enumerate(record.results):
        items.append(_item(record, result, position))
        plan, item = clean(result.plan), clean(result.item)
        for measure, repeat, judgements in _figures(result):
            if not 0 <= repeat <= _LARGEST:
                raise StoreError(f"{record.path}: {result.item}: a repetition number of {repeat}")
            key = (plan, item, clean(measure.name), clean(measure.unit))
            figures.append((position, key, _figure(measure, repeat, judgements)))
    run: dict[str, Any] = {
        "run": clean(start.run),
        "utc": clean(start.utc),
        "at": milliseconds(start.utc, record.path),
        "ended": "" if end is None else clean(end.utc),
        "rig": clean(start.rig),
        "evidence": SIMULATED if start.simulated else BENCH,
        "plan": clean(", ".join(start.plans)),
        "build": clean(_build(start, end)),
        "commit_id": clean(start.commit),
        "limits_print": limits_fingerprint(start),
        "plan_print": plan_fingerprint(start),
        "rig_print": rig_fingerprint(start),
        "end_reason": "" if end is None else clean(end.reason),
        **dict.fromkeys(COUNTS.values(), 0),
        "interrupted": len(record.interrupted),
        "never_begun": len(record.never_begun),
        "deselected": sum(len(one.items) for one in start.omitted if one.why == DESELECTED),
        "measures": len(figures),
    }
    for result in record.results:
        if not was_interrupted(result):
            run[COUNTS[result.verdict.value]] += 1
    return Gathered(run, items, figures)


def _build(start: RunStart, end: RunEnd | None) -> str:
    """Firmware revision that the board reported, as soon as it did."""
    told = [*start.identities, *(end.identities if end is not None else ())]
    return next((one.revision for one in told if one.role == "board" and one.revision), "")


def _item(record: RunRecord, result: ItemResult, position: int) -> dict[str, Any]:
    return {
        "position": position,
        "item": clean(result.item),
        "plan": clean(result.plan),
        "scenario": clean(result.scenario),
        "verdict": _VERDICT[result.verdict.value],
        "reason": clean(result.reason),
        "utc": clean(result.utc),
        "at": milliseconds(result.utc, record.path),
    }


def _figures(result: ItemResult) -> list[tuple[Measure, int, list[Judgement]]]:
    """Each measure once, with all its judgements."""
    rows: list[tuple[Measure, int, list[Judgement]]] = []
    for measure, repeat, judgement in judged(result):
        if judgement is None:
            if measure.outcome is not Outcome.NOT_APPLICABLE:
                rows.append((measure, repeat, []))
        elif rows and rows[-1][2] and rows[-1][:2] == (measure, repeat):
            rows[-1][2].append(judgement)
        else:
            rows.append((measure, repeat, [judgement]))
    return rows


def _figure(measure: Measure, repeat: int, judgements: list[Judgement]) -> tuple[Any, ...]:
    lows = [j.band.low for j in judgements if j.band.low is not None]
    highs = [j.band.high for j in judgements if j.band.high is not None]
    worst: Verdict | None = min((j.verdict for j in judgements), key=_SEVERITY.get, default=None)  # type: ignore[arg-type]
    return (
        repeat,
        measure.value,
        measure.uncertainty,
        max(lows, default=None),
        min(highs, default=None),
        _VERDICT["" if worst is None else worst.value],
        _OUTCOME[measure.outcome.value],
    )


def milliseconds(utc: str, where: object) -> int:
    """A time in ms since 1970; UTC if it names no zone.

    Raises
    ------
    StoreError
        If it is none; names `where`.
    """
    try:
        at = datetime.fromisoformat(utc)
    except ValueError as problem:
        raise StoreError(f"{where}: not a time in ISO 8601: {utc!r}") from problem
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    return round(1000.0 * at.timestamp())


def clean(text: str) -> str:
    """Text that every database can hold: lone surrogates and NUL are spelt out."""
    if text.isascii() and "\0" not in text:
        return text
    return text.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")
