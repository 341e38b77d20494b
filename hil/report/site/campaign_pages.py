"""The pages of campaigns: the matrix of seeded defects, and how healthy rigs spread."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from markupsafe import Markup

from hil.report.numbers import NOTHING, in_unit, margin, plain
from hil.report.site import words
from hil.report.site.campaigns import BandLine, DefectsView, PopulationView
from hil.report.site.shell import Page, render
from hil.report.site.small import spread_bar

#: Bands that held are shown up to this many, those with the least room.
TIGHTEST = 80


@dataclass(frozen=True, slots=True)
class _Band:
    """A row of the table of bands."""

    line: BandLine
    found: str
    band: str
    margin: str
    room: str
    picture: Markup

    @property
    def verdict(self) -> str:
        """What the page calls the band as a whole."""
        return "fail" if self.line.fails else "undecided" if self.line.undecided else "pass"


def defects_page(page: Page, views: Sequence[DefectsView], items: Mapping[str, str]) -> bytes:
    """Campaigns newest first: of each plan and rig the last in full, earlier ones in a line.

    Parameters
    ----------
    items : item -> its page in this site, where it has one.
    """
    last, earlier = _newest(views)
    return render("defects.html.j2", page, views=last, earlier=earlier, items=items)


def population_page(page: Page, views: Sequence[PopulationView], items: Mapping[str, str]) -> bytes:
    """Campaigns newest first: of each plan and rig the last in full, earlier ones in a line."""
    last, earlier = _newest(views)
    full = [(view, *_bands(view)) for view in last]
    return render("population.html.j2", page, views=full, earlier=earlier, items=items)


View = TypeVar("View", DefectsView, PopulationView)


def _newest(views: Sequence[View]) -> tuple[list[View], list[View]]:
    seen: set[tuple[str, str]] = set()
    last: list[View] = []
    earlier: list[View] = []
    for view in views:
        key = (view.plan, view.rig)
        (earlier if key in seen else last).append(view)
        seen.add(key)
    return last, earlier


def _bands(view: PopulationView) -> tuple[list[_Band], int]:
    """Bands that failed or could not decide, then the tightest; and how many are not shown."""
    blamed = [band for band in view.bands if band.fails or band.undecided]
    held = [b for b in view.bands if not b.fails and not b.undecided and b.room is not None]
    held.sort(key=lambda band: (band.room or 0.0, band.item, band.measure))
    shown = [*blamed, *held[:TIGHTEST]]
    return [_row(band) for band in shown], len(view.bands) - len(shown)


def _row(line: BandLine) -> _Band:
    found, picture = NOTHING, Markup("")
    if line.values:
        least, _, median, _, most = line.values
        found = f"{plain(least)} to {in_unit(most, line.unit)}, median {plain(median)}"
        picture = spread_bar(np.array(line.values), line.low, line.high)
    return _Band(
        line,
        found,
        words.band_words(line.low, line.high, line.unit),
        margin(line.margin, line.unit),
        NOTHING if line.room is None else f"{line.room:.2f}",
        picture,
    )
