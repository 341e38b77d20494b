from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from lxml import etree

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.record import ItemResult
from hil.core.trace import Channel, Mark, Trace
from hil.core.verdict import Judgement, Verdict
from hil.report.plots import LEAST, PANELS, Panel, Series, chart_data, panels
from hil.report.sketch import described, sketch
from hil.store.reading import read


def _judged(result: ItemResult, *bands: Band, repeat: int = 1) -> ItemResult:
    judgements = tuple(
        Judgement(band, Measure(band.measure, band.unit, 1.0), Verdict.PASS, "", repeat=repeat)
        for band in bands
    )
    return replace(result, judgements=judgements)


@pytest.fixture
def started(make_result: Callable[..., ItemResult]) -> ItemResult:
    return make_result("start-cw", Verdict.PASS)


def _limits(found: tuple[Panel, ...]) -> list[tuple[str, float, str, bool]]:
    return [(p.title, round(x.level, 6), x.label, x.across) for p in found for x in p.limits]


def test_panels_in_order_with_their_lines(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    found = panels(make_trace(), started, 1, 300)
    assert [(p.title, p.unit, [(s.name, s.style) for s in p.series]) for p in found] == [
        (
            "Speed",
            "rpm",
            [("set point", "dot"), ("firmware", "dash"), ("tachometer", "solid")],
        ),
        (
            "Current",
            "A",
            [
                ("firmware", "dash"),
                ("firmware peak", "dot"),
                ("supply readback", "solid"),
            ],
        ),
        ("Voltage", "V", [("firmware", "dash"), ("supply readback", "solid")]),
        ("Shaft angle", "deg", [("tachometer", "solid")]),
        ("Power stage", "degC", [("firmware", "dash")]),
    ]
    assert all(s.t.size <= 300 for p in found for s in p.series)


def test_channels_without_a_value_are_not_drawn(started: ItemResult) -> None:
    t = np.arange(4.0)
    lost = Channel("witness.speed", "rpm", t, np.full(4, np.nan))
    none = Channel("supply.voltage", "V", t[:0], t[:0])
    assert panels(Trace({c.name: c for c in (lost, none)}, (), 4.0), started, 1, 100) == ()


def test_peaks_are_held_against_their_limits_in_their_panel(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    result = _judged(
        started,
        Band("peak-current", None, 3.5, "A"),
        Band("peak-dc-link-voltage", None, 30.0, "V"),
        Band("handover-speed", 100.0, 900.0, "rpm"),  # no place in a chart: not a peak
    )
    assert _limits(panels(make_trace(), result, 1, 100)) == [
        ("Current", 3.5, "peak-current max 3.5 A", True),
        ("Voltage", 30.0, "peak-dc-link-voltage max 30 V", True),
    ]


def test_times_are_drawn_from_the_mark_they_count_from(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    result = _judged(
        started, Band("time-to-speed", 0.2, 1.5, "s"), Band("alignment-time", 0.1, 0.4, "s")
    )
    assert _limits(panels(make_trace(), result, 1, 100)) == [
        ("Speed", 0.3, "time-to-speed min 0.2 s", False),
        ("Speed", 1.6, "time-to-speed max 1.5 s", False),
    ]


def test_a_time_beyond_the_trace_or_without_its_mark_is_not_drawn(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    result = _judged(started, Band("time-to-speed", None, 99.0, "s"))
    assert _limits(panels(make_trace(), result, 1, 100)) == []
    unmarked = replace(make_trace(), marks=())
    result = _judged(started, Band("time-to-speed", None, 1.0, "s"))
    assert _limits(panels(unmarked, result, 1, 100)) == []


@pytest.mark.parametrize("target", [2000.0, -2000.0])
def test_an_overshoot_from_rest_is_drawn_beyond_the_target(
    make_trace: Callable[..., Trace], started: ItemResult, target: float
) -> None:
    result = _judged(started, Band("overshoot", None, 15.0, "%"))
    found = _limits(panels(make_trace(target=target), result, 1, 100))
    assert found == [("Speed", 1.15 * target, "overshoot max 15 %", True)]
    stepped = replace(result, scenario="speed-step")
    assert _limits(panels(make_trace(target=target), stepped, 1, 100)) == []


def test_bands_of_another_repetition_are_not_drawn(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    result = _judged(started, Band("peak-current", None, 3.5, "A"), repeat=2)
    assert _limits(panels(make_trace(), result, 1, 100)) == []
    assert len(_limits(panels(make_trace(), result, 2, 100))) == 1


def test_the_range_holds_values_and_limits(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    result = _judged(started, Band("peak-current", None, 99.0, "A"))
    current = panels(make_trace(), result, 1, 100)[1]
    assert current.range[1] == 99.0
    one = np.array([1.0])
    assert Panel("x", "V", (Series("x", "solid", one, one),)).range == (0.75, 1.25)
    assert Panel("x", "V", ()).range == (0.0, 1.0)


@pytest.mark.parametrize(
    ("unit", "values", "low", "high"),
    [
        ("degC", [25.0, 25.1], 22.55, 27.55),  # the last digit is no event
        ("degC", [25.0, 40.0], 25.0, 40.0),
        ("V", [24.0, 24.02], 23.76, 24.26),
        ("rpm", [-2000.0, 0.0], -2000.0, 0.0),
    ],
)
def test_an_axis_spans_some_steps_of_a_reading_at_least(
    unit: str, values: list[float], low: float, high: float
) -> None:
    y = np.array(values)
    panel = Panel("x", unit, (Series("x", "solid", y, y),))
    assert panel.range == pytest.approx((low, high))
    trace = Trace({}, (), 1.0)
    assert chart_data(trace, [panel])["panels"][0]["least"] == LEAST[unit]


def test_every_panel_has_a_least_span() -> None:
    assert {unit for _, unit, _ in PANELS} == set(LEAST)


def test_chart_data_unpacks_to_the_thinned_series(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    trace = make_trace()
    shown = panels(trace, started, 1, 200)
    data = chart_data(trace, shown)
    assert data["end"] == 3.0
    assert data["marks"] == [0.02, 0.1, 2.9]
    for panel, drawn in zip(shown, data["panels"], strict=True):
        low, high = drawn["range"]
        for series, packed in zip(panel.series, drawn["series"], strict=True):
            steps = np.frombuffer(base64.b64decode(packed["y"]), dtype="<u2").astype(float)
            values = np.where(steps == 65535, np.nan, low + (high - low) * steps / 65000)
            np.testing.assert_allclose(values, series.y, atol=(high - low) / 65000)
            times = np.frombuffer(base64.b64decode(packed["t"]), dtype="<u2") * 3.0 / 65000
            np.testing.assert_allclose(times, series.t, atol=3.0 / 65000)


def test_a_sketch_is_a_small_picture_with_words(
    make_trace: Callable[..., Trace], started: ItemResult
) -> None:
    trace = make_trace()
    result = _judged(
        started, Band("peak-current", None, 3.5, "A"), Band("time-to-speed", None, 1.5, "s")
    )
    for panel in panels(trace, result, 1, 1000):
        picture = sketch(panel, trace.end, trace.marks)
        root = etree.fromstring(picture)
        assert root.get("role") == "img"
        assert root.get("aria-label") == described(panel, trace.end)
        assert len(root.findall("path[@class='sk-mark']")) == 3
        assert len(root.findall("path[@class='sk-limit']")) == len(panel.limits)
        assert len(root.xpath("path[starts-with(@class,'sk-line')]")) == len(panel.series)
        assert len(picture) < 10_000


def test_a_sketch_says_what_it_shows(make_trace: Callable[..., Trace], started: ItemResult) -> None:
    result = _judged(started, Band("peak-current", None, 3.5, "A"))
    current = panels(make_trace(), result, 1, 1000)[1]
    low, high = (f"{value:.4g}" for value in current.range)
    assert described(current, 3.0) == (
        f"Current {low} to {high} A over 3 s: firmware (dashed), firmware peak "
        "(dotted), supply readback (solid); limits peak-current max 3.5 A"
    )


def test_a_gap_lifts_the_pen(started: ItemResult) -> None:
    t = np.arange(9.0)
    y = np.where((t > 2) & (t < 6), np.nan, 1.0)
    trace = Trace({"witness.speed": Channel("witness.speed", "rpm", t, y)}, (), 9.0)
    (panel,) = panels(trace, started, 1, 100)
    line = etree.fromstring(sketch(panel, 9.0, ())).xpath("path[@class='sk-line sk-solid']")[0]
    assert line.get("d").count("M") == 2


def test_hostile_labels_stay_text(started: ItemResult) -> None:
    t = np.arange(3.0)
    trace = Trace(
        {"supply.current": Channel("supply.current", "A", t, t)},
        (Mark('"><script>', 1.0),),
        3.0,
    )
    result = _judged(started, Band('peak"><script>', None, 1.0, "A"))
    (panel,) = panels(trace, result, 1, 100)
    assert "<script" not in sketch(panel, 3.0, trace.marks)


def test_every_recorded_trace_of_a_run_can_be_drawn(full_run: Path) -> None:
    from hil.store.traces import read_trace

    for result in read(full_run).results:
        for repeat, name in enumerate(result.traces, 1):
            assert len(panels(read_trace(full_run / "traces" / name), result, repeat, 100)) == 5
