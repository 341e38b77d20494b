"""What the index and the search for changes say, as views: one strand at a time."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from hil.measures.catalogue import KINDS, definitions
from hil.report.history import ChangeRow, History, Latest, LatestRow, Watch, changes_of
from hil.report.items import Standing
from hil.report.site.collecting import uncollected
from hil.report.site.places import item_place, measure_place, run_place
from hil.report.site.views import (
    BuildLine,
    Change,
    Hint,
    IntArray,
    ItemLine,
    ItemResultLine,
    RunLine,
    Strand,
    Trend,
)
from hil.store.index import Index
from hil.store.index.rows import ItemRow, RunRow, Series, SeriesKey

#: Judges all series of one strand together.
Watcher = Callable[[Iterable[Series]], Watch]


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Everything the site shows of one strand; runs in the order of time.

    Parameters
    ----------
    folders : run -> its folder as the index knows it.
    results : run -> (plan, item) -> what became of it, the last attempt.
    trends : (plan, item) -> its measures.
    hints : of all measures, the surest first.
    """

    strand: Strand
    runs: tuple[RunLine, ...]
    folders: Mapping[str, str]
    items: tuple[ItemLine, ...]
    results: Mapping[str, Mapping[tuple[str, str], ItemResultLine]]
    trends: Mapping[tuple[str, str], tuple[Trend, ...]]
    hints: tuple[Hint, ...] = ()
    false_share: float = 0.0

    @property
    def judged(self) -> int:
        """How many series could be searched for changes."""
        return sum(trend.judged for group in self.trends.values() for trend in group)

    @property
    def changes(self) -> tuple[Change, ...]:
        """All changes of all measures."""
        return tuple(c for group in self.trends.values() for trend in group for c in trend.changes)

    @property
    def watched(self) -> int:
        """How many series there are."""
        return sum(map(len, self.trends.values()))

    @property
    def builds(self) -> tuple[BuildLine, ...]:
        """Builds by their last run, newest first, each with its runs, newest first."""
        runs: dict[str, list[RunLine]] = {}
        for run in self.runs:
            runs.setdefault(run.build, []).insert(0, run)
        changed: dict[str, list[Change]] = {}
        for change in self.changes:
            changed.setdefault(change.build, []).append(change)
        newest = sorted(runs, key=lambda build: (runs[build][0].utc, build), reverse=True)
        return tuple(
            BuildLine(
                build,
                next((run.commit for run in runs[build] if run.commit), ""),
                tuple(runs[build]),
                tuple(changed.get(build, ())),
            )
            for build in newest
        )


def gather(
    index: Index, watch: Watcher = changes_of, wanted: Callable[[RunRow], bool] = lambda _run: True
) -> list[Gathered]:
    """One value a strand that has runs, bench evidence first, then by rig.

    Parameters
    ----------
    wanted : which runs to show; all others are left out of everything.
    """
    with uncollected(), index.snapshot():
        rows = [row for row in index.runs() if wanted(row)]
        strands = sorted(
            {Strand(row.rig, row.evidence) for row in rows},
            key=lambda strand: (strand.simulated, strand.rig),
        )
        return [
            _strand(index, watch, strand, [r for r in rows if _is_of(r, strand)])
            for strand in strands
        ]


def _is_of(row: RunRow, strand: Strand) -> bool:
    return (row.rig, row.evidence) == (strand.rig, strand.evidence)


def _strand(index: Index, watch: Watcher, strand: Strand, rows: Sequence[RunRow]) -> Gathered:
    runs = tuple(map(run_line, rows))
    places = Places({run.run: n for n, run in enumerate(runs)})
    place = places.of
    found = index.all_series(rig=strand.rig, evidence=strand.evidence)
    series = {key: kept for key, one in found.items() if len(kept := _only(one, places))}
    results = [
        row for row in index.items(rig=strand.rig, evidence=strand.evidence) if row.run in place
    ]
    scenario = {(row.plan, row.item): row.scenario for row in results}
    seen = watch(series.values())
    trends: dict[tuple[str, str], list[Trend]] = {}
    hints: dict[SeriesKey, Hint] = {}
    for history in seen.histories:
        key = history.key
        trend = trend_of(strand, series[key], history, places)
        meant = meaning(scenario.get((key.plan, key.item), ""), key.measure)
        trends.setdefault((key.plan, key.item), []).append(replace(trend, definition=meant))
        if trend.hint is not None:
            hints[key] = trend.hint
    keys = sorted({(row.plan, row.item) for row in results} | set(trends))
    pages = {key: item_place(strand, *key) for key in keys}
    by_run = _by_run(results, pages)
    return Gathered(
        strand,
        runs,
        {row.run: row.path for row in rows},
        tuple(_items(runs, by_run, pages)),
        by_run,
        {key: tuple(group) for key, group in sorted(trends.items())},
        tuple(hints[row.key] for row in seen.alarms if row.key in hints),
        seen.false_share,
    )


class Places:
    """Where the runs of a strand stand among those that are shown.

    The measures of an item mostly have the same runs: their places are looked up once. Serves as
    long as all series live: text is told by being the same object.
    """

    def __init__(self, of: Mapping[str, int]) -> None:
        self.of = of
        self._known: dict[bytes, IntArray] = {}

    def at(self, runs: npt.NDArray[Any]) -> IntArray:
        """Place of each of these runs, -1 for one that is not shown."""
        same = runs.tobytes()
        if same not in self._known:
            found = (self.of.get(run, -1) for run in runs.tolist())
            self._known[same] = np.fromiter(found, dtype=np.int64, count=runs.size)
        return self._known[same]


def _only(series: Series, places: Places) -> Series:
    """The figures of the runs that are shown."""
    keep = places.at(series.run) >= 0
    if bool(keep.all()):
        return series
    columns = [name for name in series.__dataclass_fields__ if name != "key"]
    return replace(series, **{name: getattr(series, name)[keep] for name in columns})


def run_line(row: RunRow) -> RunLine:
    """A run as the pages refer to it; items that left no result are counted as what they are."""
    counts = {standing.value: row.counts.get(standing.value, 0) for standing in Standing}
    counts[Standing.INTERRUPTED.value] += row.interrupted
    counts[Standing.NOT_RUN.value] += row.never_begun
    return RunLine(
        row.run,
        row.utc,
        row.build,
        row.commit,
        tuple(part for part in row.plan.split(", ") if part),
        row.end,
        counts,
        run_place(row.run),
        trouble="" if row.state == "present" else f"{row.state}: {row.state_reason}".rstrip(": "),
        deselected=row.deselected,
    )


def trend_of(strand: Strand, series: Series, history: History, places: Places) -> Trend:
    """A series with its changes, on the runs of its strand."""
    key = series.key
    at = places.at(series.run)
    page = measure_place(strand, key.plan, key.item, key.measure, key.unit)
    rises = bool(np.all(at[1:] >= at[:-1]))  # nearly all do, and need no copies
    order = slice(None) if rises else np.argsort(at, kind="stable")
    nights = places.at(history.nights.run)
    return Trend(
        strand,
        key.plan,
        key.item,
        key.measure,
        key.unit,
        page,
        at[order],
        series.repeat[order],
        series.value[order],
        series.uncertainty[order],
        series.low[order],
        series.high[order],
        tuple(series.verdict[order].tolist()),
        tuple(change_of(row, nights, page) for row in history.changes),
        hint=hint_of(history.latest, page),
        judged=history.judged,
    )


def change_of(row: ChangeRow, nights: IntArray, page: str) -> Change:
    """A change as the pages show it; `nights` are the places of the nights of its series."""
    return Change(
        item=row.key.item,
        measure=row.key.measure,
        unit=row.key.unit,
        build=row.build,
        commit=row.commit,
        utc=row.utc,
        build_before=row.build_before,
        same_build=row.same_build,
        before=row.before,
        after=row.after,
        size_low=row.size_low,
        size_high=row.size_high,
        sigma=row.sigma,
        p=row.p,
        exact=row.probability,
        margin_before=row.margin_before,
        margin_after=row.margin_after,
        at=int(nights[row.position]),
        last_before=int(nights[max(row.position - 1, 0)]),
        earliest=int(nights[row.earliest]),
        latest=int(nights[row.latest]),
        page=page,
    )


_STATES = {
    Latest.ODD: "unlike every night before it, wait for the next",
    Latest.CREEPING: "creeping over the last nights",
    Latest.CHANGED: "several nights in a row beyond chance",
    Latest.NO_VALUE: "no value in the last run",
}


def hint_of(row: LatestRow, page: str) -> Hint | None:
    """What the last night says, None where it is steady or too little is known.

    The last night of another plan of the rig may be later, and says nothing of this item.
    """
    if row.state not in _STATES:
        return None
    of_plan = f" of plan {row.key.plan}" if row.state is Latest.NO_VALUE and row.key.plan else ""
    return Hint(
        item=row.key.item,
        measure=row.key.measure,
        unit=row.key.unit,
        state=_STATES[row.state] + of_plan,
        value=row.value,
        level=row.level,
        sigma=row.sigma,
        page=page,
    )


@functools.cache
def meaning(scenario: str, measure: str) -> str:
    """Definition of a measure, "" if the catalogue does not know it."""
    if scenario not in KINDS:
        return ""
    found = definitions(scenario).get(measure)
    return found.text if found else ""


def _by_run(
    rows: Iterable[ItemRow], pages: Mapping[tuple[str, str], str]
) -> dict[str, dict[tuple[str, str], ItemResultLine]]:
    """Run -> item -> its result, the last one of several."""
    found: dict[str, dict[tuple[str, str], ItemResultLine]] = {}
    # Most items come to the same night after night.
    lines: dict[tuple[str, str, str, str], ItemResultLine] = {}
    for row in rows:
        told = row.plan, row.item, row.verdict, row.reason
        if told not in lines:
            reason = " ".join(row.reason.split())
            page = pages[row.plan, row.item]
            lines[told] = ItemResultLine(row.item, row.verdict, reason, page)
        found.setdefault(row.run, {})[row.plan, row.item] = lines[told]
    return found


def _items(
    runs: Sequence[RunLine],
    by_run: Mapping[str, Mapping[tuple[str, str], ItemResultLine]],
    pages: Mapping[tuple[str, str], str],
) -> list[ItemLine]:
    """The items of these pages, with what became of them in each run."""
    nothing: Mapping[tuple[str, str], ItemResultLine] = {}
    by_place = [by_run.get(run.run, nothing) for run in runs]
    found = []
    for key, page in pages.items():
        done = [results.get(key) for results in by_place]
        last = done[-1]
        reason = last.reason if last and last.verdict != "pass" else ""
        found.append(
            ItemLine(*key, page, tuple(one.verdict if one else "" for one in done), reason)
        )
    return found
