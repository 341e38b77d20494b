"""The list of items, and the page of each item with its measures."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from hil.core.count import many
from hil.report.items import Standing
from hil.report.numbers import NOTHING, in_unit, margin
from hil.report.site import words
from hil.report.site.measures import RunCells, worst
from hil.report.site.shell import Page, render
from hil.report.site.small import spark, verdict_strip
from hil.report.site.views import Change, ItemLine, RunLine, Strand, Trend

#: Runs of the history strip in the list of items.
SHOWN = 60
_RANK = {standing.value: rank for rank, standing in enumerate(Standing)}


@dataclass(frozen=True, slots=True)
class _Row:
    """An item in the list."""

    item: str
    page: str
    verdict: str
    since: str
    strip: Markup
    change: Change | None

    @property
    def change_measure(self) -> str:
        return self.change.measure if self.change else ""


@dataclass(frozen=True, slots=True)
class _Section:
    strand: Strand
    anchor: str
    shown: int
    items: tuple[_Row, ...]


@dataclass(frozen=True, slots=True)
class _Measure:
    """A measure in the page of its item."""

    measure: str
    page: str
    value: str
    band: str
    margin: str
    verdict: str
    spark: Markup
    change: Change | None


Listed = tuple[Strand, Sequence[RunLine], Sequence[tuple[ItemLine, Change | None]]]


def items_page(page: Page, strands: Sequence[Listed]) -> bytes:
    """All items of all strands; each item comes with its last change."""
    sections = []
    for number, (strand, runs, items) in enumerate(strands, 1):
        rows = [
            _Row(
                line.item,
                line.page,
                line.verdicts[-1],
                since(line.verdicts, runs),
                verdict_strip(line.verdicts[-SHOWN:]),
                change,
            )
            for line, change in items
        ]
        rows.sort(key=lambda row: (_RANK.get(row.verdict, 99), row.item))
        shown = min(SHOWN, len(runs))
        sections.append(_Section(strand, f"strand-{number}", shown, tuple(rows)))
    return render("items.html.j2", page, strands=sections)


def item_page(
    page: Page,
    strand: Strand,
    line: ItemLine,
    cells: RunCells,
    trends: Sequence[Trend],
    compare: str = "",
) -> bytes:
    """The page of one item; `cells` are those of the runs of its strand.

    `compare` is the part of an address that opens its comparison.
    """
    runs = cells.ground.runs
    rows = sorted((_measure(trend, len(runs)) for trend in trends), key=lambda pair: pair[0])
    verdict = line.verdicts[-1]
    counted = Counter(word for word in line.verdicts if word)
    tallied = ", ".join(f"{counted[s.value]} {s.value}" for s in Standing if counted[s.value])
    return render(
        "item.html.j2",
        page,
        strand=strand,
        line=line,
        verdict=verdict,
        answer=_answer(line, runs, trends),
        strip=verdict_strip(line.verdicts),
        tallied=f"{tallied}." if tallied else "",
        compare=compare,
        rows=[row for _, row in rows],
    )


def since(verdicts: Sequence[str], runs: Sequence[RunLine]) -> str:
    """Since when the last verdict has held, with the build where it began."""
    last = verdicts[-1] if verdicts else ""
    if not last:
        return NOTHING
    begun = len(verdicts) - 1
    for n in range(len(verdicts) - 1, -1, -1):
        if verdicts[n] == last:
            begun = n
        elif verdicts[n]:
            break
    if begun == len(verdicts) - 1 and len(verdicts) > 1:
        return "last run"
    if not any(verdicts[:begun]):
        return "always"
    run = runs[begun]
    return f"{run.utc[:10]}{', build ' + run.build if run.build else ''}"


def _answer(line: ItemLine, runs: Sequence[RunLine], trends: Sequence[Trend]) -> str:
    last = line.verdicts[-1]
    held = since(line.verdicts, runs)
    if not last:
        said = "It was not planned in the last run."
    elif held == "always":
        said = "So in every run of this site."
    elif held == "last run":
        said = "New in the last run."
    else:
        said = f"So since {held}."
    changed = [trend for trend in trends if trend.changes]
    if not changed:
        return f"{said} No measure changed lastingly."
    newest = max((t.changes[-1] for t in changed), key=lambda change: change.utc)
    return (
        f"{said} {len(changed)} of {many(len(trends), 'measure')} changed lastingly, "
        f"the last since {words.since(newest)}: {newest.measure}."
    )


def _measure(trend: Trend, runs: int) -> tuple[tuple[int, float, str], _Measure]:
    """A row with what sorts it: does not pass, least room in its band, name."""
    value, low, high, room = _last(trend)
    verdict = trend.verdict[-1] if trend.verdict else ""
    share = math.inf
    if room is not None and not (low == high and room == 0.0):  # a count that is as it must be
        wide = (high - low) if low is not None and high is not None else abs(high or low or 1.0)
        share = room / wide if wide else room
    order = (0 if verdict not in ("", "pass") else 1, share, trend.measure)
    row = _Measure(
        trend.measure,
        trend.page,
        in_unit(value, trend.unit),
        words.band_words(low, high, trend.unit),
        margin(room, trend.unit),
        verdict,
        spark(trend, runs),
        trend.changes[-1] if trend.changes else None,
    )
    return order, row


def _last(trend: Trend) -> tuple[float | None, float | None, float | None, float | None]:
    """Of the last run: the value nearest to a limit (of repeats), low, high, and its margin."""
    if not trend.at.size:
        return None, None, None, None
    of_run = trend.at == trend.at[-1]
    low, high = (_some(float(end[-1])) for end in (trend.low, trend.high))
    values = [v for v in trend.value[of_run].tolist() if math.isfinite(v)]
    if not values:
        return None, low, high, None
    rooms = [(distance(v, low, high), v) for v in values]
    if low is None and high is None:
        return values[len(values) // 2], None, None, None
    room, value = min(rooms)
    return value, low, high, room


def last_of(trend: Trend, first: int, last: int) -> tuple[float | None, float | None, str]:
    """Of the points from `first` to before `last`: median value, its U (k=2) if it is the only
    one, and the worst verdict.
    """
    values = [v for v in trend.value[first:last].tolist() if math.isfinite(v)]
    spread = 2.0 * float(trend.uncertainty[first]) if last - first == 1 else math.nan
    word = worst(trend.verdict[first:last])
    return (statistics.median(values) if values else None), _some(spread), word


def distance(value: float, low: float | None, high: float | None) -> float:
    """Distance to the nearest limit, negative outside; infinite without limits."""
    below = math.inf if low is None else value - low
    above = math.inf if high is None else high - value
    return min(below, above)


def _some(value: float) -> float | None:
    return value if math.isfinite(value) else None
