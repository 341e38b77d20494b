"""The whole site from an index: gather, lay out, publish."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

from hil.report.rebuild import PAGE
from hil.report.site.gather import Gathered
from hil.report.site.items import item_page, items_page
from hil.report.site.measures import RunCells, measure_page
from hil.report.site.overview import overview_page
from hil.report.site.publish import Piece
from hil.report.site.runs import newly, run_page, runs_page
from hil.report.site.shell import (
    ITEMS,
    OVERVIEW,
    RUNS,
    Page,
    assets,
    page_of,
)
from hil.report.site.views import Change, ItemLine, RunView, StrandView, Trend


@dataclass(frozen=True, slots=True)
class Site:
    """What a site is made of.

    Parameters
    ----------
    out : where it will stand: links to run folders are relative to it.
    strands : the runs.
    """

    out: Path
    strands: Sequence[Gathered]
    rooms: tuple[tuple[str, str], ...] = (
        ("Overview", OVERVIEW),
        ("Items", ITEMS),
        ("Runs", RUNS),
    )
    compared: dict[str, dict[str, str]] = field(default_factory=dict)

    def pieces(self) -> Iterator[Piece]:
        """Every file of the site."""
        for path, content in assets().items():
            yield Piece(path, lambda content=content: content)  # type: ignore[misc]
        strands = [one.strand for one in self.strands]

        def whole(path: str, make: Callable[[Page], bytes]) -> Piece:
            return Piece(path, lambda: make(page_of(path, self.rooms, strands)))

        yield whole(
            OVERVIEW, lambda page: overview_page(page, list(map(overview_of, self.strands)))
        )
        yield whole(RUNS, lambda page: runs_page(page, [(s.strand, s.runs) for s in self.strands]))
        yield whole(
            ITEMS,
            lambda page: items_page(
                page, [(s.strand, s.runs, list(_with_changes(s))) for s in self.strands]
            ),
        )
        for one in self.strands:
            yield from self._of(one)

    def _of(self, one: Gathered) -> Iterator[Piece]:
        """Pages of one strand."""

        def deep(path: str, make: Callable[[Page], bytes]) -> Piece:
            return Piece(path, lambda: make(page_of(path, self.rooms, [one.strand])))

        for number, run in enumerate(one.runs):
            yield deep(
                run.page,
                lambda page, number=number: run_page(  # type: ignore[misc]
                    page,
                    run_of(one, number, self.out),
                    self.compared.get(one.runs[number].run, {}),
                ),
            )
        cells = RunCells.of(one.runs, "../")
        for line in one.items:
            trends = one.trends.get((line.plan, line.item), ())
            yield deep(
                line.page,
                lambda page, line=line, trends=trends: item_page(  # type: ignore[misc]
                    page, one.strand, line, one.runs, trends
                ),
            )
            for trend in trends:
                yield deep(
                    trend.page,
                    lambda page, line=line, trend=trend: measure_page(  # type: ignore[misc]
                        page, trend, one.runs, cells, line.page
                    ),
                )


def overview_of(one: Gathered) -> StrandView:
    """What the first page shows of a strand."""
    now, before = (one.results.get(run.run, {}) for run in (one.runs[-1], one.runs[-2:][0]))
    lost, won = newly(now, before)
    return StrandView(
        one.strand, one.runs, one.builds, one.watched, lost, won, one.hints, one.false_share
    )


def run_of(one: Gathered, number: int, out: Path) -> RunView:
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
        _files(one.folders.get(run.run, ""), out / run.page),
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
