"""Small pictures that stand in a line of a table: verdicts over the runs, a spread in its band."""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from hil.report.site.scale import Axis, axis
from hil.report.site.views import FloatArray, Trend

#: Height of a verdict's tick in tenths: what is worse stands taller; "" is a gap.
_HEIGHTS = {"pass": 4, "not-run": 2, "undecided": 7, "interrupted": 7, "bench-fault": 8, "fail": 10}


def verdict_strip(verdicts: Sequence[str]) -> Markup:
    """One tick a run, the last on the right; a decoration beside words that say the same."""
    wide = max(len(verdicts), 30)
    paths: dict[str, list[str]] = {}
    for n, word in enumerate(verdicts, wide - len(verdicts)):
        if word in _HEIGHTS:
            paths.setdefault(word, []).append(f"M{n}.5 10v-{_HEIGHTS[word]}")
    drawn = "".join(f'<path class="vs-{word}" d="{"".join(d)}"/>' for word, d in paths.items())
    return Markup(
        '<svg class="strip" viewBox="0 0 {} 10" preserveAspectRatio="none" aria-hidden="true">{}'
        "</svg>"
    ).format(wide, Markup(drawn))


def spark(trend: Trend, runs: int, most: int = 90) -> Markup:
    """The last `most` runs of a measure as a line, with the limits that lie near."""
    since = max(0, runs - most)
    recent = (trend.at >= since) & np.isfinite(trend.value)
    values, at = trend.value[recent], trend.at[recent]
    if values.size < 2:
        return Markup("")
    ends = np.array([trend.low[-1], trend.high[-1]])
    scale, _ = axis(values, ends)
    heights = tuple([y / 40 for y in scale.places(values)])
    path = _line(tuple((at - since).tolist()), max(runs - since, 2)) % heights
    limits = "".join(
        f"M0 {scale.place(limit) / 40:.1f}H100" for limit in ends.tolist() if scale.holds(limit)
    )
    return Markup(
        '<svg class="spark" viewBox="0 0 100 25" preserveAspectRatio="none" aria-hidden="true">'
        f'<path class="tp-limit" d="{limits}"/><path class="sp-line" d="{path}"/></svg>'
    )


@functools.lru_cache(maxsize=1024)
def _line(at: tuple[int, ...], wide: int) -> str:
    """A line over these runs of so many, which still lacks its heights (``%.1f``)."""
    return "M" + "L".join([f"{100 * (x + 0.5) / wide:.1f} %.1f" for x in at])


def spread_bar(
    values: FloatArray, low: float | None, high: float | None, scale: Axis | None = None
) -> Markup:
    """Least, 5 %, median, 95 % and most of a population, against its limits.

    Parameters
    ----------
    values : shape (5,), rising.
    """
    limits = np.array([np.nan if end is None else end for end in (low, high)])
    across = scale or axis(values, limits)[0]
    x = [100.0 - place / 10.0 for place in across.places(values)]
    ends = [100.0 - across.place(v) / 10.0 for v in limits[np.isfinite(limits)] if across.holds(v)]
    out = "".join(
        f"M{100.0 - across.place(v) / 10.0:.1f} 0V20H{edge}V0z"
        for v, edge in ((limits[0], 0), (limits[1], 100))
        if np.isfinite(v) and across.holds(v)
    )
    return Markup(
        '<svg class="spread" viewBox="0 0 100 20" preserveAspectRatio="none" aria-hidden="true">'
        '<path class="tp-out" d="{}"/><path class="tp-limit" d="{}"/>'
        '<path class="sp-line" d="M{:.1f} 10H{:.1f}"/>'
        '<path class="sp-box" d="M{:.1f} 4H{:.1f}V16H{:.1f}z"/>'
        '<path class="sp-mid" d="M{:.1f} 2V18"/></svg>'
    ).format(
        out, "".join(f"M{e:.1f} 0V20" for e in ends), x[0], x[4], x[1], x[3], x[1], x[2]
    )  # fmt: skip
