"""The list of runs, and the page of each run."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from hil.report.items import Standing
from hil.report.markup import visible
from hil.report.site.overview import standing
from hil.report.site.shell import Page, render
from hil.report.site.views import ItemResultLine, RunLine, RunView, Strand

_RANK = {one.value: rank for rank, one in enumerate(Standing)}


@dataclass(frozen=True, slots=True)
class _Section:
    strand: Strand
    anchor: str
    runs: tuple[RunLine, ...]


def runs_page(page: Page, strands: Sequence[tuple[Strand, Sequence[RunLine]]]) -> bytes:
    """All runs of all strands, given in the order of time, shown newest first."""
    sections = [
        _Section(strand, f"strand-{number}", tuple(runs))
        for number, (strand, runs) in enumerate(strands, 1)
    ]
    return render("runs.html.j2", page, strands=sections)


def run_page(page: Page, view: RunView, compared: Mapping[str, str]) -> bytes:
    """The page of one run.

    Parameters
    ----------
    compared : run -> the part of an address that opens its comparison with this one.
    """
    ranked = _ranked(view.items)
    return render(
        "run.html.j2",
        page,
        view=view,
        standing=standing(view.line.counts),
        files=view.files,
        bad=[one for one in ranked if one.verdict != Standing.PASS.value],
        good=[
            _passed(one.item, one.page, page.root)
            for one in ranked
            if one.verdict == Standing.PASS.value
        ],
        compare_before=compared.get(view.before.run, "") if view.before else "",
        compare_good=compared.get(view.last_good.run, "") if view.last_good else "",
    )


Results = Mapping[tuple[str, str], ItemResultLine]


def newly(
    now: Results, before: Results
) -> tuple[tuple[ItemResultLine, ...], tuple[ItemResultLine, ...]]:
    """Items that passed before and do not now, and those the other way round, worst first."""
    lost, won = [], []
    for key, line in now.items():
        earlier = before.get(key)
        if earlier is None:
            continue
        passes, passed = line.verdict == "pass", earlier.verdict == "pass"
        if passed and not passes:
            lost.append(line)
        elif passes and not passed:
            won.append(line)
    return _ranked(lost), _ranked(won)


@functools.lru_cache(maxsize=10_000)
def _passed(item: str, page: str, root: str) -> Markup:
    """An item in the list of those that passed; the same in every run."""
    name = visible(item)
    words = Markup('<a href="{}">{}</a>').format(root + page, name) if page else escape(name)
    return Markup('<li data-search="{} pass">{}</li>').format(name.lower(), words)


def _ranked(lines: Iterable[ItemResultLine]) -> tuple[ItemResultLine, ...]:
    return tuple(sorted(lines, key=lambda line: (_RANK.get(line.verdict, 99), line.item)))
