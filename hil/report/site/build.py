"""The whole site from what was gathered: every page and file, ready to be published."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from urllib.parse import quote

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
    RunView,
    Strand,
    StrandView,
    Trend,
)


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
                partial(item_page, frame, one.strand, line, one.runs, trends, link),
                apart=True,
            )
            for trend in trends:
                frame = page_of(trend.page, self.rooms, [one.strand])
                yield Piece(
                    trend.page, partial(measure_page, frame, trend, cells, line.page), apart=True
                )
        # Made here while other processes are still at the pages above.
        for number, run in enumerate(one.runs):
            yield Piece(
                run.page,
                lambda number=number, run=run: run_page(  # type: ignore[misc]
                    page_of(run.page, self.rooms, [one.strand]),
                    run_of(one, number, self.out, copies),
                    links.get(run.run, {}),
                ),
            )


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
    now, before = (one.results.get(run.run, {}) for run in (one.runs[-1], one.runs[-2:][0]))
    lost, won = newly(now, before)
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
    )


def run_of(one: Gathered, number: int, out: Path, copies: Mapping[str, Piece]) -> RunView:
    """One run of a strand with its neighbours."""
    run = one.runs[number]
    before = one.runs[number - 1] if number else None
    now = one.results.get(run.run, {})
    lost, won = newly(now, one.results.get(before.run, {})) if before else ((), ())
    return RunView(
        one.strand,
        run,
        tuple(now.values()),
        before,
        one.runs[number + 1] if number + 1 < len(one.runs) else None,
        next((r for r in reversed(one.runs[:number]) if r.good), None),
        lost,
        won,
        tuple(change for change in one.changes if change.at == number),
        {
            **({"report in this site": f"../{copies[run.run].path}"} if run.run in copies else {}),
            **_files(one.folders.get(run.run, ""), out / run.page),
        },
    )


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
