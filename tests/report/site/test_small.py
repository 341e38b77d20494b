from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from lxml import html

from hil.report.items import Standing
from hil.report.site.small import spark, spread_bar, verdict_strip
from hil.report.site.views import RunLine, Strand, Trend

BENCH = Strand("pump", "bench")


def test_a_strip_has_a_tick_for_every_run_and_worse_is_taller() -> None:
    words = [standing.value for standing in Standing] + [""]
    strip = html.fromstring(verdict_strip(words))
    assert strip.get("aria-hidden") == "true"
    heights = {}
    for path in strip.xpath(".//path"):
        word = path.get("class").removeprefix("vs-")
        ((_, height),) = re.findall(r"M(\d+)\.5 10v-(\d+)", path.get("d"))
        heights[word] = int(height)
    assert set(heights) == {standing.value for standing in Standing}
    assert heights["fail"] == max(heights.values())
    assert heights["pass"] < heights["undecided"]


def test_the_last_run_stands_at_the_right_of_a_short_strip() -> None:
    strip = str(verdict_strip(["pass", "fail"]))
    assert 'viewBox="0 0 30 10"' in strip
    assert "M28.5 10v-4" in strip
    assert "M29.5 10v-10" in strip


def test_a_spark_shows_the_last_runs_only(
    make_runs: Callable[..., tuple[RunLine, ...]], make_trend: Callable[..., Trend]
) -> None:
    runs = make_runs(120)
    trend = make_trend(BENCH, runs, "s", level=0.8, high=0.83)
    line = html.fromstring(spark(trend, 120, most=30)).xpath('.//path[@class="sp-line"]/@d')[0]
    assert len(re.findall("[ML]", line)) == 30
    limit = html.fromstring(spark(trend, 120)).xpath('.//path[@class="tp-limit"]/@d')[0]
    assert limit.startswith("M0 ")


def test_fewer_than_two_values_are_no_spark(
    make_runs: Callable[..., tuple[RunLine, ...]], make_trend: Callable[..., Trend]
) -> None:
    trend = make_trend(BENCH, make_runs(5), "s")
    assert spark(replace(trend, value=np.full(5, np.nan)), 5) == ""


@pytest.mark.parametrize(
    ("low", "high", "limits"), [(None, 2.0, 1), (0.5, None, 1), (0.5, 2.0, 2), (None, None, 0)]
)
def test_a_spread_stands_against_its_limits(
    low: float | None, high: float | None, limits: int
) -> None:
    bar = html.fromstring(spread_bar(np.array([1.0, 1.1, 1.3, 1.6, 1.9]), low, high))
    assert bar.xpath('.//path[@class="tp-limit"]/@d')[0].count("M") == limits
    assert bar.xpath('.//path[@class="tp-out"]/@d')[0].count("z") == limits
    a, b = map(float, re.findall(r"M([\d.]+) 10H([\d.]+)", bar.xpath(".//path/@d")[2])[0])
    (middle,) = re.findall(r"M([\d.]+) 2V18", bar.xpath('.//path[@class="sp-mid"]/@d')[0])
    assert a < float(middle) < b


def test_a_spread_of_one_value_is_drawn() -> None:
    assert "sp-box" in spread_bar(np.full(5, 2.0), None, None)
