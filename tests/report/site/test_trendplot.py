from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from lxml import html

from hil.report.site.trendplot import Ground, pins, place, short, trend_plot
from hil.report.site.views import RunLine, Strand, Trend

MakeRuns = Callable[..., tuple[RunLine, ...]]
MakeTrend = Callable[..., Trend]
BENCH = Strand("pump", "bench")


def drawn(trend: Trend, runs: tuple[RunLine, ...], says: str = "what it shows") -> Any:
    return html.fromstring(trend_plot(trend, Ground.of(runs), says))


def points(plot: Any, shape: str) -> list[tuple[int, int]]:
    path = "".join(plot.xpath(f'.//path[@class="tp-{shape}"]/@d'))
    return [(int(x), int(y)) for x, y in re.findall(r"M(\d+) (\d+)[hv]", path)]


def test_every_value_is_a_point_at_its_run(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(40)
    plot = drawn(make_trend(BENCH, runs, "start"), runs)
    assert [x for x, _ in points(plot, "dot")] == [round(place(n, 40)) for n in range(40)]


def test_a_higher_value_stands_higher(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(30)
    trend = make_trend(BENCH, runs, "start")
    found = points(drawn(trend, runs), "dot")
    heights = [y for _, y in found]
    assert heights[int(np.argmax(trend.value))] == min(heights)
    assert heights[int(np.argmin(trend.value))] == max(heights)


def test_verdicts_differ_in_shape(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(6)
    trend = make_trend(BENCH, runs, "start")
    value = trend.value.copy()
    value[5] = np.nan
    words = ("pass", "fail", "undecided", "", "pass", "not-run")
    plot = drawn(replace(trend, value=value, verdict=words), runs)
    assert [len(points(plot, s)) for s in ("dot", "square", "bar", "edge")] == [3, 1, 1, 1]
    assert points(plot, "edge") == [(round(place(5, 6)), 1000)]


def test_all_repetitions_are_shown(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(5)
    assert len(points(drawn(make_trend(BENCH, runs, "s", repeats=7), runs), "dot")) == 35


def test_a_change_has_a_numbered_pin_between_its_runs_and_two_levels(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(20)
    trend = make_trend(BENCH, runs, "start", step_at=12)
    plot = drawn(trend, runs)
    (pin,) = plot.xpath('.//span[@class="pin"]')
    assert pin.text == "1"
    (at,) = pins(trend.changes, 20)
    assert place(11, 20) < at.at < place(12, 20)
    assert f"left:{at.at / 10:.1f}%" in pin.get("style")
    (level,) = plot.xpath('.//path[@class="tp-level"]/@d')
    (x0, y0, x1), (x2, y2, _) = re.findall(r"M(\d+) (\d+)H(\d+)", level)
    assert x1 == x2
    assert int(y2) < int(y0)  # the level rose
    assert int(x0) < int(x1)


def test_without_a_change_there_is_one_level(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(20)
    (level,) = drawn(make_trend(BENCH, runs, "s"), runs).xpath('.//path[@class="tp-level"]/@d')
    assert level.count("M") == 1


def test_a_near_limit_is_a_line_with_words_and_ground_beyond(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(10)
    plot = drawn(make_trend(BENCH, runs, "s", level=0.8, high=0.82), runs)
    assert plot.xpath('.//path[@class="tp-limit"]')
    assert plot.xpath('.//path[@class="tp-out"]')
    assert plot.xpath('string(.//span[@class="limit"])') == "max 0.8200 s"


def test_a_far_limit_is_told_below_the_plot(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(10)
    far = make_trend(BENCH, runs, "s", level=0.8, high=9.0)
    assert not drawn(far, runs).xpath('.//path[@class="tp-limit"]')
    page = html.fromstring(f"<div>{trend_plot(far, Ground.of(runs), '')}</div>")
    assert not page.xpath('//div[@class="plot"]//*[contains(., "beyond")]'), "points are there"
    assert page.xpath('string(./p[@class="beyond"])') == "\u2191 max 9 s: beyond this picture"
    low = np.full_like(far.value, -9.0)
    page = html.fromstring(f"<div>{trend_plot(replace(far, low=low), Ground.of(runs), '')}</div>")
    assert page.xpath("string(./p)").startswith("\u2193 min -9 s, \u2191 max 9 s: beyond")


def test_what_cannot_be_measured_does_not_look_like_a_change(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(30)
    trend = make_trend(BENCH, runs, "degC", high=float("nan"))
    coarse = replace(trend, uncertainty=np.full(30, 1.0))

    def height(of: Trend) -> int:
        ys = [y for _, y in points(drawn(of, runs), "dot")]
        return max(ys) - min(ys)

    assert height(trend) > 800
    assert height(coarse) < 20
    stepped = make_trend(BENCH, runs, "degC", step_at=12, high=float("nan"))
    assert height(replace(stepped, uncertainty=np.full(30, 1.0))) > 800, "what was found is shown"
    unknown = replace(trend, uncertainty=np.full(30, np.nan))
    assert height(unknown) == height(trend)


def test_a_limit_that_moved_is_a_step(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(10)
    trend = make_trend(BENCH, runs, "s", level=0.8, high=0.82)
    high = np.where(trend.at < 5, 0.82, 0.84)
    (path,) = drawn(replace(trend, high=high), runs).xpath('.//path[@class="tp-limit"]/@d')
    assert path.count("M") == 2
    high[2:4] = np.nan  # nights without a band
    (path,) = drawn(replace(trend, high=high), runs).xpath('.//path[@class="tp-limit"]/@d')
    assert path.count("M") == 3


def test_builds_are_named_along_the_axis_and_never_overlap(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(200, per_build=1)
    plot = drawn(make_trend(BENCH, runs, "s", step_at=77), runs)
    names = plot.xpath('.//div[@class="names"]/span')
    assert short(runs[77].build) in [name.text for name in names]
    assert short(runs[199].build) in [name.text for name in names]
    reach = []
    for name in names:
        at = float(re.search(r"left:([\d.]+)%", name.get("style"))[1])  # type: ignore[index]
        reach.append((at - 14, at) if name.get("class") == "right" else (at, at + 14))
    reach.sort()
    assert all(a[1] <= b[0] + 0.11 for a, b in itertools.pairwise(reach))


def test_every_second_build_has_a_ground(make_runs: MakeRuns) -> None:
    assert Ground.of(make_runs(9, per_build=3)).stripes.count("z") == 1
    assert Ground.of(make_runs(12, per_build=3)).stripes.count("z") == 2
    assert Ground.of(make_runs(3, per_build=3)).stripes == ""


def test_words_from_files_are_escaped(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = tuple(replace(run, build="<b>&\x07") for run in make_runs(3))
    trend = replace(make_trend(BENCH, runs, "s"), unit="<i>")
    text = str(trend_plot(trend, Ground.of(runs), '"><script>'))
    assert "<b>" not in text
    assert "<i>" not in text
    assert "<script>" not in text
    assert "\x07" not in text


def test_the_plot_is_small(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(365)
    assert len(trend_plot(make_trend(BENCH, runs, "s"), Ground.of(runs), "x")) < 9_000


def test_nothing_at_all_is_a_plot_without_points(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(4)
    trend = make_trend(BENCH, runs, "s")
    empty = replace(
        trend,
        at=trend.at[:0],
        repeat=trend.repeat[:0],
        value=trend.value[:0],
        uncertainty=trend.uncertainty[:0],
        low=trend.low[:0],
        high=trend.high[:0],
        verdict=(),
    )
    plot = drawn(empty, runs)
    assert points(plot, "dot") == []


def test_long_names_of_builds_are_cut() -> None:
    assert short("") == "unknown"
    assert short("1.4.2") == "1.4.2"
    assert len(short("x" * 40)) == 16
