"""A panel as a small static picture: what the page shows without its chart script, and in print."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from hil.core.trace import Mark
from hil.report.numbers import plain
from hil.report.plots import Panel, Series
from hil.report.thin import thin

_WIDTH, _HEIGHT, _TOP = 640, 110, 12
_POINTS = 160
_DASHES = {"solid": "", "dash": "7 3", "dot": "2 3"}
_WORDS = {"solid": "solid", "dash": "dashed", "dot": "dotted"}


def sketch(panel: Panel, end: float, marks: Sequence[Mark]) -> Markup:
    """`panel` from 0 to `end` seconds as an SVG element with its title and a description."""
    low, high = panel.range
    parts = []
    for number, mark in enumerate(marks, 1):
        x = _x(mark.t, end)
        parts.append(Markup('<path class="sk-mark" d="M{0} {1}V{2}"/>').format(x, _TOP, _HEIGHT))
        parts.append(Markup('<text class="sk-no" x="{}" y="10">{}</text>').format(x, number))
    for limit in panel.limits:
        if limit.across:
            y = _y(limit.level, low, high)
            parts.append(Markup('<path class="sk-limit" d="M0 {}H{}"/>').format(y, _WIDTH))
        else:
            x = _x(limit.level, end)
            parts.append(Markup('<path class="sk-limit" d="M{} {}V{}"/>').format(x, _TOP, _HEIGHT))
    for series in panel.series:
        parts.append(
            Markup('<path class="sk-line sk-{}" stroke-dasharray="{}" d="{}"/>').format(
                series.style, _DASHES[series.style], _path(series, low, high, end)
            )
        )
    says = described(panel, end)
    return Markup('<svg viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(
        _WIDTH, _HEIGHT + 2, says, Markup("").join(parts)
    )


def described(panel: Panel, end: float) -> str:
    """One sentence: what the panel shows, its range, its lines and its limits."""
    low, high = panel.range
    names = ", ".join(f"{series.name} ({_WORDS[series.style]})" for series in panel.series)
    says = f"{panel.title} {plain(low)} to {plain(high)} {panel.unit} over {plain(end)} s: {names}"
    limits = ", ".join(limit.label for limit in panel.limits)
    return f"{says}; limits {limits}" if limits else says


def _path(series: Series, low: float, high: float, end: float) -> str:
    t, y = thin(series.t, series.y, _POINTS)
    words, pen_down = [], False
    for time, value in zip(t.tolist(), y.tolist(), strict=True):
        if not np.isfinite(value):
            pen_down = False
            continue
        words.append(f"{'L' if pen_down else 'M'}{_x(time, end)} {_y(value, low, high)}")
        pen_down = True
    return "".join(words)


def _x(t: float, end: float) -> str:
    return f"{_WIDTH * min(max(t / end, 0.0), 1.0) if end > 0 else 0.0:.1f}"


def _y(value: float, low: float, high: float) -> str:
    return f"{_HEIGHT - (_HEIGHT - _TOP) * (value - low) / (high - low):.1f}"
