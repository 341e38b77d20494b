"""The page of one measure of one item: trend, change points, and the same figures in a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from hil.report.markup import visible
from hil.report.numbers import fixed, plain
from hil.report.site import words
from hil.report.site.shell import Page, render
from hil.report.site.trendplot import trend_plot
from hil.report.site.views import RunLine, Trend

#: Expanded uncertainty is shown with this factor of coverage; the record holds the exact one.
_K = 2.0
#: A page lists so many runs, the newest; the picture shows all.
MOST_ROWS = 1000


@dataclass(frozen=True, slots=True)
class RunCells:
    """What the runs of a strand look like in the table of every measure: made once for all."""

    heads: tuple[str, ...]

    @classmethod
    def of(cls, runs: Sequence[RunLine], root: str) -> RunCells:
        """The first two cells of each run."""
        return cls(
            tuple(
                f'<tr data-n={n}><th scope=row><a href="{escape(root + run.page)}">'
                f"{escape(run.night)}</a><td>{escape(visible(run.build or 'unknown'))}<td>"
                for n, run in enumerate(runs)
            )
        )


def measure_page(
    page: Page, trend: Trend, runs: Sequence[RunLine], cells: RunCells, item_page: str
) -> bytes:
    """The page of `trend`; `cells` are those of `runs` for pages as deep as this one."""
    nights = int(np.unique(trend.at).size)
    says = words.answer(trend, nights)
    numbered = [(n, c, runs[c.at]) for n, c in enumerate(trend.changes, 1)]
    rows, repeated = _rows(trend, cells)
    return render(
        "measure.html.j2",
        page,
        trend=trend,
        item_page=item_page,
        verdict=trend.verdict[-1] if trend.verdict else "",
        answer=says,
        plot=trend_plot(trend, runs, f"{trend.measure} of {trend.item} over {nights} runs. {says}"),
        legend=_legend(trend),
        changes=list(reversed(numbered)),
        runs=len(runs),
        rows=Markup(rows),
        value_head=f"Value{'' if trend.unit == '1' else ' in ' + trend.unit} ± U (k=2)",
        repeat_words="Of several repetitions: the median, and from the least to the most"
        if repeated
        else "",
    )


_KEYS: Mapping[str, tuple[str, str]] = {
    "dot": ("key-dot", "a value"),
    "square": ("key-square", "fail"),
    "bar": ("key-bar", "undecided"),
    "edge": ("key-edge", "no value"),
    "level": ("key-level", "level"),
    "limit": ("key-limit", "limit of the band, shaded outside"),
}


def _legend(trend: Trend) -> Markup:
    """The signs that occur in this picture."""
    has = np.isfinite(trend.value)
    kinds = {word for word, valued in zip(trend.verdict, has.tolist(), strict=True) if valued}
    shown = ["dot"]
    shown += ["square"] if "fail" in kinds else []
    shown += ["bar"] if kinds - {"pass", "fail", ""} else []
    shown += [] if bool(has.all()) else ["edge"]
    shown += ["level"]
    if np.isfinite(trend.low).any() or np.isfinite(trend.high).any():
        shown.append("limit")
    return Markup(", ").join(
        Markup('<span class="legend"><span class="key {}"></span>{}</span>').format(*_KEYS[name])
        for name in shown
    )


def _rows(trend: Trend, cells: RunCells) -> tuple[str, bool]:
    """Rows of the table, the newest run first, and whether any run has several repetitions."""
    if not trend.at.size:
        return "", False
    starts = np.flatnonzero(np.diff(trend.at, prepend=-1)).tolist()
    ends = [*starts[1:], trend.at.size]
    repeated = len(starts) < trend.at.size
    at = trend.at[starts].tolist()
    places = _places(trend)
    value, spread = trend.value.tolist(), (_K * trend.uncertainty).tolist()
    lines = []
    for run, a, b in list(zip(at, starts, ends, strict=True))[: -MOST_ROWS - 1 : -1]:
        if b - a == 1:
            word = trend.verdict[a]
            text = _value(value[a], spread[a], places)
        else:
            word = worst(trend.verdict[a:b])
            text = _several(trend.value[a:b], places)
        lines.append(f"{cells.heads[run]}{text}<td{_CLASS.get(word, '')}>{word or 'no band'}")
    return "\n".join(lines), repeated


_CLASS = {
    "fail": " class=v-fail",
    "bench-fault": " class=v-bench-fault",
    "undecided": " class=v-undecided",
}
_ORDER = ("fail", "bench-fault", "undecided", "not-run", "pass", "")


def worst(verdicts: Sequence[str]) -> str:
    """The worst of several verdict words."""
    return min(verdicts, key=_ORDER.index)


def _places(trend: Trend) -> int:
    """Decimals that suit all values: two digits of the usual uncertainty, else of the scatter."""
    finite = trend.value[np.isfinite(trend.value)]
    known = trend.uncertainty[np.isfinite(trend.uncertainty) & (trend.uncertainty > 0.0)]
    if known.size:
        least = _K * float(np.median(known))
    elif finite.size > 1 and float(np.ptp(finite)) > 0.0:
        if bool(np.all(finite == np.rint(finite))):
            return 0
        least = float(np.std(finite))
    else:
        return -1
    return min(9, max(0, 1 - int(np.floor(np.log10(least)))))


def _value(value: float, spread: float, places: int) -> str:
    if value != value:  # noqa: PLR0124 - the quickest test for NaN
        return "no value"
    number = fixed(value, places) if places >= 0 else plain(value)
    return f"{number} ± {fixed(spread, places)}" if spread > 0.0 and places >= 0 else number


def _several(values: np.ndarray, places: int) -> str:
    finite = values[np.isfinite(values)]
    if not finite.size:
        return f"no value (n={values.size})"
    low, mid, high = (
        fixed(float(v), places) if places >= 0 else plain(float(v))
        for v in (finite.min(), np.median(finite), finite.max())
    )
    count = (
        f"n={finite.size}" if finite.size == values.size else f"n={finite.size} of {values.size}"
    )
    return f"{mid} ({low} to {high}, {count})"
