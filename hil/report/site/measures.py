"""The page of one measure of one item: trend, change points, and the same figures in a table."""

from __future__ import annotations

import functools
import itertools
import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from hil.core.count import many
from hil.report.markup import visible
from hil.report.numbers import fixed, plain
from hil.report.site import words
from hil.report.site.scale import middle
from hil.report.site.shell import Page, render
from hil.report.site.trendplot import Ground, trend_plot
from hil.report.site.views import IntArray, RunLine, Trend

#: Expanded uncertainty is shown with this factor of coverage; the record holds the exact one.
_K = 2.0
#: A page lists so many runs, the newest; the picture shows all.
MOST_ROWS = 1000


@dataclass(frozen=True, slots=True)
class RunCells:
    """What the runs of a strand look like in the page of every measure: made once for all.

    Also once for all in another process that gets it, with whatever part of the pages.
    """

    ground: Ground
    heads: tuple[str, ...]
    rows: dict[tuple[bytes, str], list[str]]
    nights: dict[bytes, tuple[IntArray, str]]
    packed: bytes

    @classmethod
    def of(cls, runs: Sequence[RunLine], root: str) -> RunCells:
        """The first two cells of each run, for pages so deep, and the ground of the plots."""
        heads = tuple(
            f'<tr><th><a href="{escape(root + run.page)}">'
            f"{escape(run.night)}</a><td>{escape(visible(run.build or 'unknown'))}<td>".replace(
                "%", "%%"
            )
            for run in runs
        )
        packed = pickle.dumps((runs, root), pickle.HIGHEST_PROTOCOL)
        return cls(Ground.of(runs), heads, {}, {}, packed)

    def __reduce__(self) -> tuple[Any, ...]:
        return _unpacked, (self.packed,)

    def nights_of(self, at: IntArray) -> tuple[IntArray, str]:
        """First point of each run of these points, and the numbers of the runs that are listed.

        No numbers if these are all runs.
        """
        same = at.tobytes()
        if same not in self.nights:
            starts = np.flatnonzero(np.diff(at, prepend=-1))
            shown = at[starts].tolist()
            whole = shown == list(range(len(self.heads)))
            listed = "" if whole else " ".join(map(str, shown[-MOST_ROWS:]))
            self.nights[same] = starts, listed
        return self.nights[same]

    def rows_for(self, at: IntArray, word: str) -> list[str]:
        """Rows of these runs, the oldest first, all with one verdict, which lack figures (``%s``).

        The measures of an item mostly have the same: texts filled in are quicker than made.
        """
        same = at.tobytes(), word
        if same not in self.rows:
            self.rows[same] = [self.row(run, word) for run in at.tolist()]
        return self.rows[same].copy()

    def row(self, run: int, word: str) -> str:
        """One such row."""
        return f"{self.heads[run]}%s{_end(word)}"


@functools.lru_cache(maxsize=8)
def _unpacked(packed: bytes) -> RunCells:
    return RunCells.of(*pickle.loads(packed))


def measure_page(page: Page, trend: Trend, cells: RunCells, item_page: str) -> bytes:
    """The page of `trend`; `cells` are those of the runs of its strand."""
    runs = cells.ground.runs
    starts, listed = cells.nights_of(trend.at)
    nights = starts.size
    says = words.answer(trend, nights)
    numbered = [(n, c, runs[c.at]) for n, c in enumerate(trend.changes, 1)]
    return render(
        "measure.html.j2",
        page,
        trend=trend,
        item_page=item_page,
        verdict=trend.verdict[-1] if trend.verdict else "",
        answer=says,
        plot=trend_plot(
            trend,
            cells.ground,
            f"{trend.measure} of {trend.item} over {many(nights, 'run')}. {says}",
        ),
        legend=_legend(trend),
        changes=list(reversed(numbered)),
        runs=len(runs),
        at=listed,
        rows=Markup(_rows(trend, cells, starts)),
        value_head=f"Value{'' if trend.unit == '1' else ' in ' + trend.unit} ± U (k=2)",
        repeat_words="Of several repetitions: the median, and from the least to the most"
        if nights < trend.at.size
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
    valued = bool(has.all())
    kinds = set(trend.verdict if valued else itertools.compress(trend.verdict, has.tolist()))
    shown = ["dot"]
    shown += ["square"] if "fail" in kinds else []
    shown += ["bar"] if kinds - {"pass", "fail", ""} else []
    shown += [] if valued else ["edge"]
    shown += ["level"]
    if np.isfinite(trend.low).any() or np.isfinite(trend.high).any():
        shown.append("limit")
    return _signs(tuple(shown))


@functools.cache
def _signs(names: tuple[str, ...]) -> Markup:
    """Few pictures have other signs than those before."""
    sign = Markup('<span class="legend"><span class="key {}"></span>{}</span>')
    return Markup(", ").join(sign.format(*_KEYS[name]) for name in names)


def _rows(trend: Trend, cells: RunCells, starts: IntArray) -> str:
    """Rows of the table, the newest run first; `starts` is the first point of each run."""
    places = _places(trend)
    if starts.size < trend.at.size:
        bounds = list(itertools.pairwise([*starts.tolist(), trend.at.size]))
        verdicts = [worst(trend.verdict[a:b]) for a, b in bounds]
        texts = [_several(trend.value[a:b], places) for a, b in bounds]
    else:
        verdicts, texts = list(trend.verdict), _texts(trend, places)
    at = trend.at[starts]
    usual, others = _usual(verdicts)
    rows = cells.rows_for(at, usual)
    for n in others:
        rows[n] = cells.row(int(at[n]), verdicts[n])
    shown = slice(None, -MOST_ROWS - 1, -1)
    return "\n".join(rows[shown]) % tuple(texts[shown])


def _texts(trend: Trend, places: int) -> list[str]:
    """Every value, with its uncertainty if it has one."""
    spread = _K * trend.uncertainty
    plainly = np.isfinite(trend.value) & (spread > 0.0) & (places >= 0)
    pairs = np.stack([trend.value[plainly], spread[plainly]], axis=1)
    pairs[np.abs(pairs) < 0.5 * 10.0**-places] = 0.0  # what rounds to 0 has no sign
    # Many numbers in one text are quicker than one by one.
    text = "\n".join([f"%.{places}f ± %.{places}f"] * len(pairs))
    filled = (text % tuple(pairs.ravel().tolist())).split("\n")
    if len(pairs) == trend.value.size:
        return filled
    others = trend.value[~plainly].tolist()
    known = {value: _number(value, places) for value in set(others)}  # counts are a few, repeated
    told, numbers = iter(filled), iter([known[value] for value in others])
    return [next(told) if plain else next(numbers) for plain in plainly.tolist()]


def _usual(verdicts: Sequence[str]) -> tuple[str, list[int]]:
    """The commonest of the words, and where another one stands."""
    usual = max(set(verdicts), key=lambda word: (verdicts.count(word), word), default="")
    if verdicts.count(usual) == len(verdicts):
        return usual, []
    return usual, [n for n, word in enumerate(verdicts) if word != usual]


def _end(word: str) -> str:
    """The last cell of a row."""
    return f"<td{_CLASS.get(word, '')}>{word or 'no band'}"


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
        least = _K * middle(known)
    elif finite.size > 1 and float(np.ptp(finite)) > 0.0:
        if bool(np.all(finite == np.rint(finite))):
            return 0
        least = float(np.std(finite))
    else:
        return -1
    return min(9, max(0, 1 - int(np.floor(np.log10(least)))))


def _number(value: float, places: int) -> str:
    if value != value:  # noqa: PLR0124 - the quickest test for NaN
        return "no value"
    return fixed(value, places) if places >= 0 else plain(value)


def _several(values: np.ndarray, places: int) -> str:
    finite = values[np.isfinite(values)]
    if not finite.size:
        return f"no value (n={values.size})"
    low, mid, high = (
        _number(float(v), places) for v in (finite.min(), middle(finite), finite.max())
    )
    count = (
        f"n={finite.size}" if finite.size == values.size else f"n={finite.size} of {values.size}"
    )
    return f"{mid} ({low} to {high}, {count})"
