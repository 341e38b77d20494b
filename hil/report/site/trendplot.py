"""A measure over the runs: every value, the band, the levels, the change points, the builds.

The drawing stretches with the page (`preserveAspectRatio="none"`, lines keep their width); all
words stand in HTML over it, so that they keep their size on a phone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape

from hil.report.markup import visible
from hil.report.numbers import in_unit
from hil.report.site.scale import Axis, axis, middle, tick_words
from hil.report.site.views import Change, FloatArray, IntArray, RunLine, Trend

#: How a point is drawn: a shape besides a colour for every kind.
DOT, SQUARE, BAR, EDGE = "dot", "square", "bar", "edge"
SHAPES = {"pass": DOT, "": DOT, "fail": SQUARE}
_PENS = {DOT: "h0", SQUARE: "h0", BAR: "v-34", EDGE: "v-40"}
#: Names of builds need so much of the width, in thousandths.
_LABEL, _LABEL_NARROW = 140, 400
_LONGEST = 16


@dataclass(frozen=True, slots=True)
class Pin:
    """A change point in the plot: its number, its place in thousandths of the width."""

    number: int
    at: float
    change: Change


def place(run: int, runs: int) -> float:
    """Place of a run across the plot, in thousandths of its width."""
    return 1000.0 * (run + 0.5) / max(runs, 1)


def pins(changes: Sequence[Change], runs: int) -> list[Pin]:
    """Where the change points stand: between the last run before and the first after."""
    return [
        Pin(number, (place(c.last_before, runs) + place(c.at, runs)) / 2.0, c)
        for number, c in enumerate(changes, 1)
    ]


@dataclass(frozen=True, slots=True)
class Ground:
    """What the plots of a strand have in common, made once: builds as stripes, places of runs."""

    runs: tuple[RunLine, ...]
    stripes: str
    starts: tuple[str, ...]  # how a point of each run begins in a path
    names: dict[tuple[int, ...], str]
    dots: dict[bytes, str]

    @classmethod
    def of(cls, runs: Sequence[RunLine]) -> Ground:
        """The ground of `runs`, which are in the order of time."""
        starts = tuple(f"M{place(n, len(runs)):.0f} " for n in range(len(runs)))
        return cls(tuple(runs), _build_stripes(runs), starts, {}, {})

    def dots_for(self, at: IntArray) -> str:
        """A path of one dot for each of these runs, which still lacks their heights (``%d``).

        The measures of an item have the same runs: one text filled in is quicker than many made.
        """
        same = at.tobytes()
        if same not in self.dots:
            self.dots[same] = "".join([f"{self.starts[n]}%dh0" for n in at.tolist()])
        return self.dots[same]

    def names_for(self, changes: Sequence[Change]) -> str:
        """Names of builds below the plot, those of `changes` first."""
        wanted = tuple(change.at for change in changes)
        if wanted not in self.names:
            self.names[wanted] = _build_names(self.runs, wanted)
        return self.names[wanted]


def trend_plot(trend: Trend, ground: Ground, says: str) -> Markup:
    """The whole plot as HTML; `says` is its description for those who do not see it."""
    below, above = _stretches(trend, trend.low), _stretches(trend, trend.high)
    scale, far = axis(
        np.concatenate([trend.value, [c.before for c in trend.changes]]),
        np.array([level for *_, level in below + above]),
        _least(trend),
    )
    marks = pins(trend.changes, len(ground.runs))
    parts = [
        '<div class="plot"><svg viewBox="0 0 1000 1000" preserveAspectRatio="none" role="img" ',
        f'aria-label="{_shown(says)}">',
        ground.stripes,
        _band(below, 1000, scale, len(ground.runs)),
        _band(above, 0, scale, len(ground.runs)),
        _levels(trend, scale, marks, len(ground.runs)),
        *(f'<path class="tp-pin" d="M{pin.at:.0f} 0V1000"/>' for pin in marks),
        _points(trend, scale, ground),
        "</svg>",
        _ticks(scale, trend.unit),
        _limit_words(trend, scale, far),
        *(
            f'<span class="pin" aria-hidden="true" style="left:{pin.at / 10:.1f}%">{pin.number}'
            "</span>"
            for pin in marks
        ),
        '<span class="cursor" hidden></span></div>',
        ground.names_for(trend.changes),
        _beyond_words(trend, scale, far),
    ]
    return Markup("".join(parts))


def _least(trend: Trend) -> float:
    """What the axis spans at least: nothing smaller than it can be measured shall look like a step.

    From an expanded uncertainty (k=2) below to one above; where something was found, what it shows.
    """
    if trend.changes or trend.hint is not None or not trend.uncertainty.size:
        return 0.0
    smallest = float(np.fmin.reduce(trend.uncertainty))
    return 4.0 * smallest if math.isfinite(smallest) else 0.0


def _build_stripes(runs: Sequence[RunLine]) -> str:
    """Every second build has a faint ground."""
    found, begun = [], 0
    for n in range(1, len(runs) + 1):
        if n == len(runs) or runs[n].build != runs[begun].build:
            found.append((begun, n))
            begun = n
    wide = 1000.0 / max(len(runs), 1)
    path = "".join(f"M{wide * a:.0f} 0H{wide * b:.0f}V1000H{wide * a:.0f}z" for a, b in found[1::2])
    return f'<path class="tp-build" d="{path}"/>' if path else ""


#: A limit of the band: first run, last run, limit.
_Stretch = tuple[int, int, float]


def _band(stretches: Sequence[_Stretch], outside: int, scale: Axis, runs: int) -> str:
    """What lies outside one side of the band, shaded, and its limit as steps."""
    line, area = [], []
    for first, last, level in stretches:
        if not scale.holds(level):
            continue
        y = scale.place(level)
        left = 1000.0 * first / max(runs, 1)
        right = 1000.0 * (last + 1) / max(runs, 1)
        line.append(f"M{left:.0f} {y}H{right:.0f}")
        area.append(f"M{left:.0f} {y}H{right:.0f}V{outside}H{left:.0f}z")
    if not line:
        return ""
    return f'<path class="tp-out" d="{"".join(area)}"/><path class="tp-limit" d="{"".join(line)}"/>'


def _stretches(trend: Trend, limits: FloatArray) -> list[_Stretch]:
    """Where one limit holds, run after run."""
    if not limits.size:
        return []
    key = np.where(np.isfinite(limits), limits, np.inf)
    breaks = (np.flatnonzero(key[1:] != key[:-1]) + 1).tolist()
    starts, ends = [0, *breaks], [*breaks, limits.size]
    return [
        (int(trend.at[a]), int(trend.at[b - 1]), float(limits[a]))
        for a, b in zip(starts, ends, strict=True)
        if math.isfinite(limits[a])
    ]


def _levels(trend: Trend, scale: Axis, marks: Sequence[Pin], runs: int) -> str:
    """The level between change points."""
    if not marks:
        finite = trend.value[np.isfinite(trend.value)]
        if finite.size < 2:
            return ""
        levels = [middle(finite)]
    else:
        levels = [marks[0].change.before, *(pin.change.after for pin in marks)]
    shown = trend.at[np.isfinite(trend.value)]
    edges = [
        place(int(shown[0]), runs) if shown.size else 0.0,
        *(pin.at for pin in marks),
        place(int(shown[-1]), runs) if shown.size else 1000.0,
    ]
    path = "".join(
        f"M{a:.0f} {scale.place(level)}H{b:.0f}"
        for a, b, level in zip(edges, edges[1:], levels, strict=False)
    )
    return f'<path class="tp-level" d="{path}"/>'


def _points(trend: Trend, scale: Axis, ground: Ground) -> str:
    """Every value, by shape; what has no value stands at the lower edge."""
    finite, starts = np.isfinite(trend.value), ground.starts
    ys = scale.places(np.where(finite, trend.value, scale.low))
    words = set(trend.verdict)
    if bool(finite.all()) and all(SHAPES.get(word) == DOT for word in words):
        path = ground.dots_for(trend.at) % tuple(ys)
        return f'<path class="tp-dot" d="{path}"/>' if path else ""
    drawn: dict[str, list[str]] = {}
    for n, y, has, word in zip(trend.at.tolist(), ys, finite.tolist(), trend.verdict, strict=True):
        shape = SHAPES.get(word, BAR) if has else EDGE
        drawn.setdefault(shape, []).append(f"{starts[n]}{y if has else 1000}{_PENS[shape]}")
    return "".join(
        f'<path class="tp-{shape}" d="{"".join(drawn[shape])}"/>'
        for shape in (DOT, BAR, EDGE, SQUARE)
        if shape in drawn
    )


def _ticks(scale: Axis, unit: str) -> str:
    ticks = scale.ticks()
    words = tick_words(ticks)
    if ticks and unit != "1":
        words[-1] += f" {_shown(unit)}"
    return "".join(
        f'<span class="tick" aria-hidden="true" style="top:{scale.place(tick) / 10:.1f}%">'
        f"{word}</span>"
        for tick, word in zip(ticks, words, strict=True)
    )


def _limit_words(trend: Trend, scale: Axis, far: Sequence[float]) -> str:
    """The limits of the last band at their line."""
    return "".join(
        f'<span class="limit" aria-hidden="true" style="top:{scale.place(level) / 10:.1f}%"'
        f">{_shown(text)}</span>"
        for level, text in _last_limits(trend)
        if level not in far
    )


def _beyond_words(trend: Trend, scale: Axis, far: Sequence[float]) -> str:
    """The limits of the last band that lie beyond the plot, below it: within it are the points."""
    parts = [
        f"{chr(0x2191) if level > scale.high else chr(0x2193)} {_shown(text)}"
        for level, text in _last_limits(trend)
        if level in far
    ]
    return f'<p class="beyond">{", ".join(parts)}: beyond this picture</p>' if parts else ""


def _last_limits(trend: Trend) -> list[tuple[float, str]]:
    return [
        (float(limits[-1]), f"{word} {in_unit(float(limits[-1]), trend.unit)}")
        for limits, word in ((trend.low, "min"), (trend.high, "max"))
        if limits.size and np.isfinite(limits[-1])
    ]


def _build_names(runs: Sequence[RunLine], wanted: Sequence[int]) -> str:
    """Names of builds below the plot: of those with a change first, others where there is room."""
    firsts = [n for n in range(len(runs)) if n == 0 or runs[n].build != runs[n - 1].build]
    ranked = sorted(firsts, key=lambda n: (n not in wanted, n != firsts[-1], n))
    taken: list[tuple[float, float]] = []
    wide: list[tuple[float, float]] = []
    parts = []
    for n in ranked:
        at = place(n, len(runs))
        right = at > 800.0
        if _meets(_reach(at, _LABEL, right), taken):
            continue
        taken.append(_reach(at, _LABEL, right))
        small = _meets(_reach(at, _LABEL_NARROW, right), wide)
        if not small:
            wide.append(_reach(at, _LABEL_NARROW, right))
        name = _shown(short(runs[n].build))
        side = " class=right" if right else ""
        extra = " data-more" if small else ""
        parts.append(f'<span{side}{extra} style="left:{at / 10:.1f}%">{name}</span>')
    return f'<div class="names" aria-hidden="true">{"".join(parts)}</div>'


def _reach(at: float, width: float, right: bool) -> tuple[float, float]:
    """What a name takes of the width; on the right it stands before its place."""
    return (at - width, at) if right else (at, at + width)


def _meets(one: tuple[float, float], others: Sequence[tuple[float, float]]) -> bool:
    return any(one[0] < other[1] and other[0] < one[1] for other in others)


def _shown(text: str) -> Markup:
    return escape(visible(text))


def short(build: str) -> str:
    """A build's name cut to the length of a label."""
    name = build or "unknown"
    return name if len(name) <= _LONGEST else name[: _LONGEST - 1] + "\u2026"
