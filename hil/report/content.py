"""What the page shows of each item, gathered from the record, the traces and the folder."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from hil.core.conditions import Conditions
from hil.core.errors import StoreError
from hil.core.record import Identity, ItemResult, StateSpan
from hil.core.trace import Mark, Trace
from hil.core.verdict import SEVERITY, Verdict, combine
from hil.measures.efficiency import OperatingPoint, operating_points
from hil.report.items import Item
from hil.report.judged import Tables, tables
from hil.report.plots import chart_data, panels
from hil.report.sketch import described, sketch
from hil.store.reading import RunRecord
from hil.store.traces import read_trace

#: Repetitions of one item whose traces are drawn; the others are linked.
MOST_DRAWN = 3
#: Points a series in the charts, before the page as a whole grows too large.
MOST_POINTS = 1000
#: Size that the chart data of a page should not exceed, in characters.
DATA_BUDGET = 5_000_000
_CHARACTERS_PER_POINT = 5.4  # two 16-bit numbers in base64
_SERIES_PER_TRACE = 10


@dataclass(frozen=True)
class Span:
    """A stretch of the state time-line: share of the width in %, and words."""

    state: str
    left: float
    width: float
    start: str
    end: str


@dataclass(frozen=True)
class Drawn:
    """One trace as the page shows it; `problem` says why it is not shown."""

    repeat: int
    link: str
    data: dict[str, Any] | None = None
    sketches: tuple[tuple[str, Markup], ...] = ()
    marks: tuple[Mark, ...] = ()
    spans: tuple[Span, ...] = ()
    statistics: str = ""
    verdict: str = ""  # of the repetition, "" without a judgement of its own
    problem: str = ""
    points: tuple[OperatingPoint, ...] = ()


@dataclass(frozen=True)
class ItemContent:
    """Everything the page shows of one item."""

    item: Item
    tables: Tables
    drawn: tuple[Drawn, ...] = ()
    more_traces: tuple[tuple[int, str], ...] = ()
    raw_log: str = ""
    search: str = field(default="")


@dataclass(frozen=True)
class IdentityLine:
    """An identity at the start of the run, and whether it was another at the end."""

    identity: Identity
    changed_to: str = ""


def _same(one: Identity, other: Identity) -> bool:
    """Whether it is the same device in the same state, whatever port it was found at."""
    return replace(one, resource="") == replace(other, resource="")


def reports_on(record: RunRecord) -> tuple[IdentityLine, ...]:
    """Who answered, and what the same roles answered at the end if that differs."""
    after = {i.role: i for i in record.end.identities} if record.end else {}
    lines = []
    for identity in record.start.identities:
        later = after.get(identity.role, identity)
        lines.append(IdentityLine(identity, "" if _same(later, identity) else str(later)))
    return tuple(lines)


def contents(
    folder: Path, items: Sequence[Item], known: Conditions | None = None
) -> list[ItemContent]:
    """The content of each item, in the order given; charts share one budget of points.

    With what is `known` of the motor each trace drawn has its operating points, else none.
    """
    drawn = sum(min(len(i.result.traces), MOST_DRAWN) for i in items if i.result)
    affordable = DATA_BUDGET / (_CHARACTERS_PER_POINT * _SERIES_PER_TRACE * max(1, drawn))
    points = max(60, min(MOST_POINTS, int(affordable)))
    ids = {item.item for item in items}
    logs = {item: _raw_log(folder, item, ids) for item in ids}
    return [_content(folder, item, points, logs[item.item], known) for item in items]


def _content(
    folder: Path, item: Item, points: int, log: str, known: Conditions | None
) -> ItemContent:
    result = item.result
    raw_log = quote(log)
    words = [item.name, item.standing, item.reason]
    if result is None:
        return ItemContent(item, Tables((), (), ()), raw_log=raw_log, search=" ".join(words))
    words += [result.title, result.scenario, result.plan, *result.requirements]
    words += [f"{name} {value}" for name, value in result.conditions.items()]
    worst = _worst(result)
    ordered = numbered(result)
    return ItemContent(
        item,
        tables(result),
        tuple(
            _drawn(folder, result, n, name, points, worst.get(n), known)
            for n, name in ordered[:MOST_DRAWN]
        ),
        tuple((n, _trace_link(name)) for n, name in sorted(ordered[MOST_DRAWN:])),
        raw_log,
        " ".join(words),
    )


def numbered(result: ItemResult) -> list[tuple[int, str]]:
    """Repetition and file name of every trace, the worst first: the first few are drawn."""
    worst = _worst(result)
    found = enumerate(result.traces, 1)
    return sorted(found, key=lambda trace: (_rank(worst.get(trace[0])), trace[0]))


def _raw_log(folder: Path, item: str, ids: Collection[str]) -> str:
    """The log of the last time that an item was run; earlier ones have lower numbers, or none."""
    log, number = f"serial/{item}.log", 2
    if not (folder / log).is_file():
        return ""
    while (later := f"{item}-{number}") not in ids and (folder / f"serial/{later}.log").is_file():
        log, number = f"serial/{later}.log", number + 1
    return log


def _worst(result: ItemResult) -> dict[int, Verdict]:
    """Repetition -> its worst verdict."""
    found: dict[int, list[Verdict]] = {}
    for judgement in result.judgements:
        found.setdefault(judgement.repeat, []).append(judgement.verdict)
    return {repeat: combine(verdicts) for repeat, verdicts in found.items()}


def _rank(verdict: Verdict | None) -> int:
    return SEVERITY.index(verdict) if verdict else len(SEVERITY)


def _drawn(
    folder: Path,
    result: ItemResult,
    repeat: int,
    name: str,
    points: int,
    verdict: Verdict | None,
    known: Conditions | None,
) -> Drawn:
    link = _trace_link(name)
    try:
        trace = read_trace(folder / "traces" / name)
    except StoreError as problem:
        # The record stays readable without its traces, and the page says what is missing.
        return Drawn(repeat, link, problem=str(problem).replace(f"{folder}/", ""))
    shown = panels(trace, result, repeat, points)
    return Drawn(
        repeat,
        link,
        chart_data(trace, shown),
        tuple((described(p, trace.end), sketch(p, trace.end, trace.marks)) for p in shown),
        trace.marks,
        _spans([span for span in result.spans if span.repeat == repeat], trace.end),
        _statistics(trace),
        verdict.value if verdict else "",
        points=tuple(operating_points(trace, known)) if known else (),
    )


def _statistics(trace: Trace) -> str:
    words = f"{trace.frames} telemetry frames, {trace.lost} lost, {trace.bad} damaged"
    return words if trace.frames or trace.lost or trace.bad else ""


def _trace_link(name: str) -> str:
    return quote(f"traces/{name}")


def _spans(spans: Sequence[StateSpan], end: float) -> tuple[Span, ...]:
    length = max([end, *(span.end for span in spans)], default=0.0)
    if length <= 0.0:
        return ()
    return tuple(
        Span(
            span.state,
            round(100.0 * span.start / length, 2),
            round(100.0 * max(0.0, span.end - span.start) / length, 2),
            f"{span.start:.2f}",
            f"{span.end:.2f}",
        )
        for span in spans
    )
