"""Items, runs and measures as functions of their views."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lxml import html

from hil.report.markup import CAUTIONS
from hil.report.site.build import Around, files_of, overview_of, run_of, stamp_of
from hil.report.site.gather import Gathered
from hil.report.site.items import distance, item_page, items_page, last_of, since
from hil.report.site.measures import RunCells, measure_page, worst
from hil.report.site.overview import overview_page
from hil.report.site.runs import newly, run_page, runs_page
from hil.report.site.shell import Page, assets, compare_script, edition, page_of
from hil.report.site.views import Change, ItemResultLine, RunLine, RunView, Strand, Trend

BENCH, TWIN = Strand("pump", "bench"), Strand("pump", "simulated")
ROOMS = (("Overview", "index.html"), ("Items", "items.html"), ("Runs", "runs.html"))
MakeStrand = Callable[..., Gathered]
MakeRuns = Callable[..., tuple[RunLine, ...]]
MakeTrend = Callable[..., Trend]


def frame(here: str, *strands: Strand) -> Page:
    return page_of(here, ROOMS, strands or (BENCH,))


def text(node: Any) -> str:
    return " ".join(node.text_content().split())


def overview(*strands: Gathered) -> Any:
    page = frame("index.html", *(one.strand for one in strands))
    return html.fromstring(overview_page(page, list(map(overview_of, strands))))


def measure(trend: Trend, runs: tuple[RunLine, ...]) -> Any:
    cells = RunCells.of(runs, "../")
    page = measure_page(frame(trend.page, trend.strand), trend, cells, "items/x.html")
    return html.fromstring(page)


def view_of(one: Gathered, number: int, out: Path) -> RunView:
    return run_of(one, Around.of(one), number, files_of(one, one.runs[number], out, {}))


# -- frame ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("strands", "word"),
    [((BENCH,), ""), ((TWIN,), "SIMULATED"), ((BENCH, TWIN), "PARTLY SIMULATED")],
)
def test_the_stamp_of_a_page(
    strands: tuple[Strand, ...], word: str, make_strand: MakeStrand
) -> None:
    page = overview(*(make_strand(strand) for strand in strands))
    banners = page.xpath('//p[@class="banner"]/strong')
    assert [banner.text for banner in banners] == ([word] if word else [])
    assert ("SIMULATED" in page.xpath("string(//title)")) is bool(word)
    stamped = [bool(s.xpath('.//span[@class="stamp"]')) for s in page.xpath("//h2")][: len(strands)]
    assert stamped == [strand.simulated for strand in strands]


def test_every_page_has_the_cautions_and_the_rooms(make_strand: MakeStrand) -> None:
    page = overview(make_strand(BENCH))
    assert all(caution in text(page) for caution in CAUTIONS)
    assert page.xpath("//nav//a/@href") == ["index.html", "items.html", "runs.html"]
    assert page.xpath('//nav//a[@aria-current="page"]/text()') == ["Overview"]


def test_deep_pages_find_their_way_back(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(3)
    page = measure(make_trend(BENCH, runs, "start"), runs)
    assert page.xpath('//link[@rel="stylesheet"]/@href') == ["../site.css"]
    assert page.xpath("//nav//a/@href")[0] == "../index.html"


def test_the_style_of_the_house_is_shared_not_copied() -> None:
    found = assets()
    assert found["site.css"].startswith(b":root")
    assert b"vector-effect" in found["site.css"]
    assert b"function unpack(" in compare_script()
    assert len(edition()) == 64


# -- measures ------------------------------------------------------------------------------


def test_the_table_holds_the_figures_of_the_plot(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(12)
    trend = make_trend(BENCH, runs, "start")
    rows = measure(trend, runs).xpath('//table[@class="figures nights"]/tbody/tr')
    assert len(rows) == 12
    for row, run, value in zip(reversed(rows), runs, trend.value, strict=True):
        cells = [text(cell) for cell in row]
        assert cells == [run.night, run.build, f"{value:.4f} ± 0.0080", "pass"]
        assert row.xpath(".//a/@href") == [f"../{run.page}"]


def test_repetitions_are_summed_up(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(4)
    trend = make_trend(BENCH, runs, "start", repeats=5)
    page = measure(trend, runs)
    cells = text(page.xpath('//table[@class="figures nights"]/tbody/tr[last()]')[0])
    values = sorted(trend.value[:5])
    assert f"{values[2]:.4f} ({values[0]:.4f} to {values[4]:.4f}, n=5)" in cells
    assert "the median" in text(page.xpath("//table/caption")[-1])


def test_missing_values_are_said(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    runs = make_runs(4)
    trend = make_trend(BENCH, runs, "start")
    value = trend.value.copy()
    value[1] = np.nan
    words = ("pass", "undecided", "fail", "")
    page = measure(replace(trend, value=value, verdict=words), runs)
    last = [
        [text(cell) for cell in row][2:]
        for row in page.xpath('//table[@class="figures nights"]/tbody/tr')
    ]
    assert last[2] == ["no value", "undecided"]
    assert last[1][1] == "fail"
    assert last[0][1] == "no band"
    assert "no value" in text(page.xpath("//figcaption")[0])


def test_a_series_that_misses_runs_says_where_its_points_are(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(6)
    trend = make_trend(BENCH, runs[:3], "start")
    sparse = replace(trend, at=np.array([0, 2, 5]))
    figure = measure(sparse, runs).xpath("//figure")[0]
    assert (figure.get("data-runs"), figure.get("data-at")) == ("6", "0 2 5")
    whole = measure(make_trend(BENCH, runs, "start"), runs).xpath("//figure")[0]
    assert whole.get("data-at") is None


def test_counts_have_no_decimals_and_zero_has_no_sign(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(4)
    trend = make_trend(BENCH, runs, "start", unit="1")
    counts = replace(trend, value=np.array([-0.0, 1.0, 2.0, 1.0]), uncertainty=np.full(4, np.nan))
    page = measure(counts, runs)
    shown = [text(row[2]) for row in page.xpath('//table[@class="figures nights"]/tbody/tr')]
    assert shown == ["1", "2", "1", "0"]


def test_changes_are_listed_newest_first_with_number_run_and_meaning(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = make_runs(20)
    trend = make_trend(BENCH, runs, "start", step_at=12)
    rows = measure(trend, runs).xpath("//table[contains(@class, 'cards')]/tbody/tr")
    assert len(rows) == 1
    assert text(rows[0]).startswith("1 " + runs[12].build)
    assert runs[12].night in text(rows[0])
    assert "under 1 in a million" in text(rows[0])


def test_a_year_of_nights_is_a_small_page(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    """Below 300 kB with a year of nights, of twenty repetitions each, too."""
    runs = make_runs(365)
    cells = RunCells.of(runs, "../")
    for repeats, most in ((1, 80_000), (20, 300_000)):
        trend = make_trend(BENCH, runs, "start", repeats=repeats, step_at=200)
        assert len(measure_page(frame(trend.page), trend, cells, "items/x.html")) < most


def test_words_from_files_never_become_markup(
    make_runs: MakeRuns, make_trend: MakeTrend, weird: str
) -> None:
    runs = tuple(replace(run, build=weird, commit=weird) for run in make_runs(5))
    trend = make_trend(BENCH, runs, weird, weird, weird, step_at=2)
    page = measure_page(frame(trend.page), trend, RunCells.of(runs, "../"), "items/x.html")
    assert b"<script>alert" not in page
    assert b"\x07" not in page
    page.decode("utf-8")


def test_the_worst_of_several_verdicts() -> None:
    assert worst(["pass", "undecided", "fail"]) == "fail"
    assert worst(["pass", ""]) == "pass"


# -- items ---------------------------------------------------------------------------------


def test_what_does_not_pass_comes_first(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH)
    page = html.fromstring(
        items_page(frame("items.html"), [(one.strand, one.runs, [(i, None) for i in one.items])])
    )
    rows = page.xpath("//tbody/tr")
    assert "fail" in text(rows[0])
    assert f"2026-01-22, build {one.runs[21].build}" in text(rows[0])
    assert all("always" in text(row) for row in rows[1:])


@pytest.mark.parametrize(
    ("verdicts", "said"),
    [
        (["pass", "pass", "fail"], "last run"),
        (["fail", "fail"], "always"),
        (["", "fail", "fail"], "always"),
        (["pass", "fail", "", "fail"], "2026-01-02, build 1.4.0+ga1b2c3"),
        (["pass", ""], "\u2013"),
        (["pass"], "always"),
        ([], "\u2013"),
    ],
)
def test_since_when(verdicts: list[str], said: str, make_runs: MakeRuns) -> None:
    assert since(verdicts, make_runs(len(verdicts) or 1)) == said


def test_the_measures_of_an_item_have_the_nearest_to_its_limit_first(
    make_runs: MakeRuns, make_trend: MakeTrend, make_strand: MakeStrand
) -> None:
    runs = make_runs(10)
    trends = [
        make_trend(BENCH, runs, "start", "far", level=0.2, high=1.0),
        make_trend(BENCH, runs, "start", "near", level=0.9, high=1.0),
        make_trend(BENCH, runs, "start", "out", level=1.5, high=1.0),
    ]
    line = make_strand(BENCH, 10).items[0]
    cells = RunCells.of(runs, "../")
    made = item_page(frame(line.page), BENCH, line, cells, trends, "a=1&b=2&item=x")
    page = html.fromstring(made)
    assert [row.text for row in page.xpath("//tbody//th/a")] == ["out", "near", "far"]
    assert "at most 1 s" in text(page)
    assert page.xpath('//a[contains(@href, "compare.html#")]/@href') == [
        "../compare.html#a=1&b=2&item=x"
    ]


def test_distance_to_the_nearest_limit() -> None:
    assert distance(3.0, 1.0, 4.0) == 1.0
    assert distance(3.0, 1.0, None) == 2.0
    assert distance(5.0, None, 4.0) == -1.0
    assert distance(5.0, None, None) == np.inf


def test_the_last_figures_of_repetitions(make_runs: MakeRuns, make_trend: MakeTrend) -> None:
    trend = make_trend(BENCH, make_runs(2), "s", repeats=3)
    value, spread, word = last_of(trend, 3, 6)
    assert value == pytest.approx(float(np.median(trend.value[3:])))
    assert (spread, word) == (None, "pass")
    assert last_of(trend, 3, 4)[1] == pytest.approx(0.008)
    gone = replace(trend, value=np.full(6, np.nan))
    assert last_of(gone, 3, 6)[0] is None


def test_figures_are_written_the_same_whether_or_not_something_is_unlike_the_rest(
    make_runs: MakeRuns, make_trend: MakeTrend
) -> None:
    runs = tuple(replace(run, build="50%.3f") for run in make_runs(30))
    trend = make_trend(BENCH, runs, "s")
    whole = measure(trend, runs).xpath('//table[@class="figures nights"]//tr')[1:]
    words = (*trend.verdict[:20], "undecided", *trend.verdict[21:])
    odd = np.where(np.arange(30) == 4, np.nan, trend.value)
    mixed = measure(replace(trend, verdict=words, value=odd), runs)
    rows = mixed.xpath('//table[@class="figures nights"]//tr')[1:]
    assert len(whole) == len(rows) == 30
    told = [(text(a), text(b)) for a, b in zip(whole, rows, strict=True) if text(a) != text(b)]
    (judged, other), (valued, none) = told
    assert (judged.endswith("pass"), other.endswith("undecided")) == (True, True)
    assert valued.endswith(f"{trend.value[4]:.4f} ± 0.0080pass")
    assert none.endswith("no valuepass")
    assert all("50%.3f" in text(row) for row in (*whole, *rows))


# -- runs ----------------------------------------------------------------------------------


def test_a_run_is_held_against_the_one_before_and_the_last_good_one(
    make_strand: MakeStrand, tmp_path: Any
) -> None:
    one = make_strand(BENCH, 30)
    view = view_of(one, 25, tmp_path)
    assert view.before is one.runs[24]
    assert view.after is one.runs[26]
    assert view.last_good is one.runs[20]
    links = {one.runs[24].run: "a=x&b=y"}
    page = html.fromstring(run_page(frame(view.line.page), view, links))
    assert [text(a) for a in page.xpath("//dd/a") if "compare.html" in a.get("href")] == [
        "compare traces"
    ]
    assert "Every item ended as it did the night before" in text(page)


def test_a_partial_run_is_told_apart_and_what_it_has_not_is_not_compared(
    make_strand: MakeStrand, tmp_path: Any
) -> None:
    one = make_strand(BENCH, 30)
    part = replace(one.runs[24], deselected=2)
    few = dict(list(one.results[part.run].items())[:1])
    cut = replace(
        one,
        runs=(*one.runs[:24], part, *one.runs[25:]),
        results={**one.results, part.run: few},
    )
    view = view_of(cut, 25, tmp_path)
    assert (view.last_good, view.unmatched) == (cut.runs[20], 2)
    words = text(html.fromstring(run_page(frame(view.line.page), view, {})))
    assert "2 items of this run were not in the run before, and are not compared." in words
    assert f"{part.night} {part.build}" in words
    assert "(partial: 2 planned items deselected)" in words
    own = view_of(cut, 24, tmp_path)
    assert own.unmatched == 0
    assert view_of(replace(cut, runs=(part,)), 0, tmp_path).unmatched == 0
    listed = html.fromstring(runs_page(frame("runs.html"), [(one.strand, cut.runs)]))
    marked = [row for row in listed.xpath("//tbody/tr") if "partial" in text(row)]
    assert len(marked) == 1
    assert "partial" in marked[0].get("data-search")


def test_what_broke_in_a_run_is_named_with_its_reason(
    make_strand: MakeStrand, tmp_path: Any
) -> None:
    one = make_strand(BENCH, 30)
    view = view_of(one, 21, tmp_path)
    assert [line.item for line in view.newly] == ["reversal.back-emf.2000rpm"]
    page = html.fromstring(run_page(frame(view.line.page), view, {}))
    words = text(page)
    assert "Passed the night before, not now (1)" in words
    assert "Measures that changed lastingly with this run (1)" in words
    assert "Not passed (1)" in words
    assert "Passed (2)" in words


def test_the_first_run_has_nothing_before_it(make_strand: MakeStrand, tmp_path: Any) -> None:
    view = view_of(make_strand(BENCH, 6), 0, tmp_path)
    assert (view.before, view.last_good) == (None, None)
    page = html.fromstring(run_page(frame(view.line.page), view, {}))
    assert "Against the run before" not in text(page)


def test_links_to_the_run_folder_are_relative_to_the_page(
    make_strand: MakeStrand, tmp_path: Any
) -> None:
    one = make_strand(BENCH, 6)
    folder = tmp_path / "runs" / "a b"
    folder.mkdir(parents=True)
    (folder / "report.html").write_text("x")
    near = replace(one, folders={one.runs[0].run: str(folder)})
    view = view_of(near, 0, tmp_path / "out")
    assert dict(view.files) == {"report": "../../runs/a%20b/report.html"}
    assert not view_of(near, 1, tmp_path / "out").files


def test_runs_are_listed_newest_first(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 5)
    page = html.fromstring(runs_page(frame("runs.html"), [(one.strand, one.runs)]))
    assert page.xpath("//tbody//th/a/text()") == [run.night for run in reversed(one.runs)]


def test_newly_failed_and_mended() -> None:
    def line(item: str, verdict: str) -> ItemResultLine:
        return ItemResultLine(item, verdict, "")

    before = {("p", n): line(n, v) for n, v in (("a", "pass"), ("b", "fail"), ("c", "pass"))}
    now = {
        ("p", n): line(n, v)
        for n, v in (("a", "undecided"), ("b", "pass"), ("c", "fail"), ("d", "fail"))
    }
    lost, won = newly(now, before)
    assert [one.item for one in lost] == ["c", "a"]  # a fail before an undecided; d is new
    assert [one.item for one in won] == ["b"]


def test_a_change_is_shown_as_its_row_says(make_strand: MakeStrand) -> None:
    change = make_strand(BENCH).changes[0]
    assert isinstance(change, Change)
    assert change.size == pytest.approx(change.after - change.before)


def test_the_stamp_of_a_run_page_tells_whatever_its_page_tells(make_strand: MakeStrand) -> None:
    """Each fact of a run and of its neighbours in turn is another one."""
    one = make_strand(BENCH, 12)
    run, key = one.runs[6], next(iter(one.results[one.runs[6].run]))

    def with_run(n: int, **facts: Any) -> Gathered:
        changed = replace(one.runs[n], **facts)
        return replace(one, runs=(*one.runs[:n], changed, *one.runs[n + 1 :]))

    def with_result(n: int, **facts: Any) -> Gathered:
        results = {name: dict(lines) for name, lines in one.results.items()}
        name = one.runs[n].run
        results[name][key] = replace(results[name][key], **facts)
        return replace(one, results=results)

    def told(strand: Gathered) -> tuple[str, bytes]:
        around = Around.of(strand)
        view = run_of(strand, around, 6, {})
        return stamp_of(around.facts(6)), run_page(frame(run.page), view, {})

    stamp, page = told(one)
    others = [
        with_run(6, build="1.9"),
        with_run(6, commit="c0ffee"),
        with_run(6, trouble="altered"),
        with_run(6, end="interrupted"),
        with_run(5, utc="2025-01-01T00:00:00Z"),
        with_run(7, utc="2027-01-01T00:00:00Z"),
        with_result(6, verdict="fail", reason="x"),
        with_result(5, verdict="fail"),
    ]
    seen = [told(other) for other in others]
    assert all(made != page for _, made in seen)
    assert len({stamp, *(other for other, _ in seen)}) == len(others) + 1
    # What the page does not show leaves it as it is.
    assert told(with_run(2, commit="c0ffee")) == (stamp, page)
    assert told(with_result(9, verdict="fail")) == (stamp, page)
