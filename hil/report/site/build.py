"""The whole site from what was gathered: every page and file, ready to be published."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from urllib.parse import quote

from hil.core.errors import StoreError
from hil.report.omitted import omitted_lines
from hil.report.page import SCRIPT as CHARTS
from hil.report.page import chart_script
from hil.report.rebuild import PAGE
from hil.report.site.campaign_pages import defects_page, population_page
from hil.report.site.campaigns import Campaigns
from hil.report.site.compare import Compared, address, chosen, compare_pieces, pairs
from hil.report.site.gather import Gathered
from hil.report.site.items import item_page, items_page
from hil.report.site.measures import RunCells, measure_page
from hil.report.site.overview import overview_page
from hil.report.site.places import report_place
from hil.report.site.publish import Piece
from hil.report.site.runs import newly, run_page, runs_page
from hil.report.site.shell import (
    COMPARE,
    DEFECTS,
    ITEMS,
    OVERVIEW,
    POPULATION,
    RUNS,
    Page,
    assets,
    edition,
    page_of,
)
from hil.report.site.views import (
    SIMULATED,
    Change,
    ItemLine,
    ItemResultLine,
    RunLine,
    RunView,
    Strand,
    StrandView,
    Trend,
)
from hil.store.reading import read


@dataclass(frozen=True, slots=True)
class Site:
    """What a site is made of.

    Parameters
    ----------
    out : where it will stand: links to run folders are relative to it.
    strands : the runs.
    campaigns : of seeded defects and of healthy rigs.
    traces : so many of the newest runs of each strand bring their traces for the comparison.
    reports : so many of the newest runs of each strand bring a copy of their own report.
    """

    out: Path
    strands: Sequence[Gathered]
    campaigns: Campaigns = field(default_factory=Campaigns)
    traces: int = 0
    reports: int = 0

    @property
    def rooms(self) -> tuple[tuple[str, str], ...]:
        """What the navigation offers: only pages that have something on them."""
        return (
            ("Overview", OVERVIEW),
            *((("Items", ITEMS), ("Runs", RUNS)) if self.strands else ()),
            *((("Compare", COMPARE),) if self.strands and self.traces else ()),
            *((("Defects", DEFECTS),) if self.campaigns.defects else ()),
            *((("Healthy rigs", POPULATION),) if self.campaigns.population else ()),
        )

    def pieces(self) -> Iterator[Piece]:
        """Every file of the site, the quick ones first."""
        for path, content in assets().items():
            yield Piece(path, lambda content=content: content)  # type: ignore[misc]
        strands = [one.strand for one in self.strands]

        def whole(path: str, make: Callable[[Page], bytes], simulated: bool = False) -> Piece:
            shown = [Strand("", SIMULATED)] if simulated else strands
            return Piece(path, lambda: make(page_of(path, self.rooms, shown)))

        yield whole(
            OVERVIEW,
            lambda page: overview_page(
                page, list(map(overview_of, self.strands)), self.campaigns.unreadable
            ),
        )
        items = {line.item: line.page for one in reversed(self.strands) for line in one.items}
        if self.campaigns.defects:
            views = self.campaigns.defects
            yield whole(DEFECTS, lambda page: defects_page(page, views, items), simulated=True)
        if self.campaigns.population:
            spread = self.campaigns.population
            yield whole(
                POPULATION, lambda page: population_page(page, spread, items), simulated=True
            )
        if not self.strands:
            return
        yield whole(RUNS, lambda page: runs_page(page, [(s.strand, s.runs) for s in self.strands]))
        yield whole(
            ITEMS,
            lambda page: items_page(
                page, [(s.strand, s.runs, list(_with_changes(s))) for s in self.strands]
            ),
        )
        compared = [(one, chosen(one, self.traces) if self.traces else ()) for one in self.strands]
        if self.traces:
            yield from compare_pieces(page_of(COMPARE, self.rooms, strands), compared)
        script = False
        for one, some in compared:
            copies = reports_of(one, self.reports)
            yield from copies.values()
            if copies and not script:
                script = True
                yield Piece(f"{report_place('x').rpartition('/')[0]}/{CHARTS}", chart_script)
            yield from self._of(one, some, copies)

    def _of(
        self, one: Gathered, some: Sequence[Compared], copies: Mapping[str, Piece]
    ) -> Iterator[Piece]:
        """Pages of one strand."""
        links = pairs(some, one.runs)
        last = some[-1].run.run if some else ""
        former = some[-2].run.run if len(some) > 1 else ""
        shared = set(some[-1].items) & set(some[-2].items) if former else set()

        cells = RunCells.of(one.runs, "../")
        for line in one.items:
            trends = one.trends.get((line.plan, line.item), ())
            link = address(last, former, line.item) if line.item in shared else ""
            frame = page_of(line.page, self.rooms, [one.strand])
            yield Piece(
                line.page,
                partial(item_page, frame, one.strand, line, cells, trends, link),
                apart=True,
            )
            for trend in trends:
                frame = page_of(trend.page, self.rooms, [one.strand])
                yield Piece(
                    trend.page, partial(measure_page, frame, trend, cells, line.page), apart=True
                )
        yield from self._runs_of(one, copies, links)

    def _runs_of(
        self, one: Gathered, copies: Mapping[str, Piece], links: Mapping[str, Mapping[str, str]]
    ) -> Iterator[Piece]:
        """Pages of the runs of one strand; a new run changes those of its neighbours only."""
        around = Around.of(one)
        for number, run in enumerate(one.runs):
            frame = page_of(run.page, self.rooms, [one.strand])
            compared, files = links.get(run.run, {}), files_of(one, run, self.out, copies)
            yield Piece(
                run.page,
                partial(_run_page, frame, one, around, number, files, compared),
                stamp_of(edition(), frame, one.strand, around.facts(number), files, compared),
            )


def _run_page(
    frame: Page,
    one: Gathered,
    around: Around,
    number: int,
    files: Mapping[str, str],
    compared: Mapping[str, str],
) -> bytes:
    return run_page(frame, run_of(one, around, number, files), compared)


def stamp_of(*facts: object) -> str:
    """Fingerprint of values that are told apart by how they are written."""
    return hashlib.sha256("\0".join(map(repr, facts)).encode("utf-8", "replace")).hexdigest()[:32]


@dataclass(frozen=True, slots=True)
class Around:
    """What the page of a run shows besides its own line, by the number of the run.

    Parameters
    ----------
    prints : fingerprint of what became of the items of each run.
    last_good : number of the last good run before each, -1 for none.
    changes : those that each run is the first to show.
    """

    runs: Sequence[RunLine]
    prints: Sequence[str]
    last_good: Sequence[int]
    changes: Mapping[int, tuple[Change, ...]]

    @classmethod
    def of(cls, one: Gathered) -> Around:
        """What is around the runs of a strand."""
        good, last = [], -1
        changes: dict[int, tuple[Change, ...]] = {}
        for number, run in enumerate(one.runs):
            good.append(last)
            last = number if run.good else last
        for change in one.changes:
            changes[change.at] = (*changes.get(change.at, ()), change)
        prints = [_print_of(one.results.get(run.run, {})) for run in one.runs]
        return cls(one.runs, prints, good, changes)

    def run(self, number: int) -> RunLine | None:
        """The run of that number, None beyond either end."""
        return self.runs[number] if 0 <= number < len(self.runs) else None

    def facts(self, number: int) -> tuple[object, ...]:
        """All that `run_of` makes a view of a run from, but for its files."""
        neighbours = map(self.run, (number, number - 1, number + 1, self.last_good[number]))
        items = self.prints[number - 1 if number else 0], self.prints[number]
        return (*neighbours, *items, self.changes.get(number, ()))


def _print_of(results: Mapping[tuple[str, str], ItemResultLine]) -> str:
    told = [
        part
        for (plan, _), line in results.items()
        for part in (plan, line.item, line.verdict, line.reason, line.page)
    ]
    return stamp_of(told)


def reports_of(one: Gathered, newest: int) -> dict[str, Piece]:
    """Run -> copy of its own report, of the newest runs that have one within reach."""
    found: dict[str, Piece] = {}
    for run in reversed(one.runs):
        folder = one.folders.get(run.run, "")
        file = Path(folder, PAGE)
        if len(found) >= newest:
            break
        if folder and file.is_file():
            about = file.stat()
            stamp = f"{about.st_size} {about.st_mtime_ns} {edition()[:16]}"
            found[run.run] = Piece(report_place(run.run), partial(report_copy, file), stamp)
    return found


#: Links of a report to files that stay in the folder of the run.
_ELSEWHERE = re.compile(rb'<a href="((?:traces|serial)/[^"<>]*)">([^<]*)</a>')


def report_copy(file: Path) -> bytes:
    """The report in `file` to be read without its folder: names in the place of dead links."""
    return _ELSEWHERE.sub(rb"\2 (\1 in the folder of the run)", file.read_bytes())


def overview_of(one: Gathered) -> StrandView:
    """What the first page shows of a strand."""
    now = one.results.get(one.runs[-1].run, {})
    lost, won = newly(now, _before(one, now))
    return StrandView(
        one.strand,
        one.runs,
        one.builds,
        one.watched,
        one.judged,
        lost,
        won,
        one.hints,
        one.false_share,
        *told_by_last(one),
    )


def _before(
    one: Gathered, now: Mapping[tuple[str, str], ItemResultLine]
) -> dict[tuple[str, str], ItemResultLine]:
    """What became of the items of the last run when they were in one before: a partial run, or one
    of another plan, may lie between.
    """
    found: dict[tuple[str, str], ItemResultLine] = {}
    for run in reversed(one.runs[:-1]):
        earlier = one.results.get(run.run, {})
        found |= {key: earlier[key] for key in now if key in earlier and key not in found}
        if len(found) == len(now):
            break
    return found


def told_by_last(one: Gathered) -> tuple[tuple[str, ...], str, tuple[str, ...]]:
    """Of the last run what it could not make safe, on a bench; why that is unknown, or ""; what of
    its plans is not in it.
    """
    simulated = one.strand.simulated
    try:
        record = read(one.folders.get(one.runs[-1].run, ""))
    except StoreError as error:
        return (), "" if simulated else str(error), ()
    left_out = tuple(omitted_lines(record.start.omitted, len(record.start.items)))
    return () if simulated else record.unsafe, "", left_out


def run_of(one: Gathered, around: Around, number: int, files: Mapping[str, str]) -> RunView:
    """One run of a strand with its neighbours; `files` as `files_of` has them."""
    run, before = one.runs[number], around.run(number - 1)
    now = one.results.get(run.run, {})
    earlier = one.results.get(before.run, {}) if before else {}
    lost, won = newly(now, earlier)
    return RunView(
        one.strand,
        run,
        tuple(now.values()),
        before,
        around.run(number + 1),
        around.run(around.last_good[number]),
        lost,
        won,
        around.changes.get(number, ()),
        files,
        unmatched=sum(key not in earlier for key in now) if before else 0,
    )


def files_of(one: Gathered, run: RunLine, out: Path, copies: Mapping[str, Piece]) -> dict[str, str]:
    """What a reader may open of a run: what -> link from its page."""
    copied = {"report in this site": f"../{copies[run.run].path}"} if run.run in copies else {}
    return {**copied, **_files(one.folders.get(run.run, ""), out / run.page)}


def _files(folder: str, page: Path) -> dict[str, str]:
    """Links from `page` to the run's own files, as far as they are within reach."""
    found = {}
    if folder:
        for what, name in (
            ("report", PAGE),
            ("measures", "measures.csv"),
            ("record", "record.jsonl"),
        ):
            file = Path(folder) / name
            if file.is_file():
                found[what] = quote(Path(os.path.relpath(file, page.parent)).as_posix())
    return found


def _with_changes(one: Gathered) -> Iterable[tuple[ItemLine, Change | None]]:
    for line in one.items:
        trends: tuple[Trend, ...] = one.trends.get((line.plan, line.item), ())
        last = [trend.changes[-1] for trend in trends if trend.changes]
        yield line, max(last, key=lambda c: (c.utc, abs(c.sigma)), default=None)
