"""The first page: how it stands, which build changed what, and what only bench or room did."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from lxml import html

from hil.core.record import DESELECTED, UNSAFE, Note, Omitted, RunStart
from hil.report.site.build import overview_of
from hil.report.site.gather import Gathered
from hil.report.site.overview import grouped, overview_page, standing
from hil.report.site.shell import Page, page_of
from hil.report.site.views import Strand
from hil.store.codec import encode

BENCH = Strand("pump", "bench")
ROOMS = (("Overview", "index.html"), ("Items", "items.html"), ("Runs", "runs.html"))
MakeStrand = Callable[..., Gathered]


def frame(here: str, *strands: Strand) -> Page:
    return page_of(here, ROOMS, strands or (BENCH,))


def text(node: Any) -> str:
    return " ".join(node.text_content().split())


def overview(*strands: Gathered) -> Any:
    page = frame("index.html", *(one.strand for one in strands))
    return html.fromstring(overview_page(page, list(map(overview_of, strands))))


def test_the_first_sentences_answer_how_it_stands(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 30)
    answer = text(overview(one).xpath('//div[@class="answer"]')[0])
    last = one.runs[-1]
    assert f"Last run {last.night} of build {last.build}" in answer
    assert "2 of 3 items passed, 1 fail." in answer
    assert f"Last whole run all of whose items passed: {one.runs[20].night}" in answer
    assert "trip-time in stall.locked: unlike every night before it" in answer
    assert "2 of 10 builds changed something lastingly." in answer


def test_builds_stand_newest_first_with_what_they_changed(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 30)
    rows = overview(one).xpath('//table[contains(@class, "builds")]/tbody/tr')
    assert one.runs[-1].build in text(rows[0])
    changed = [row for row in rows if "changed" in (row.get("class") or "")]
    (failed, slower) = map(text, changed)
    assert one.runs[21].build in failed
    assert "time-to-speed in reversal.back-emf.2000rpm: 0.90 → 1.50 s" in failed
    assert "left its band, margin +0.300 s → -0.300 s" in failed
    assert one.runs[12].build in slower
    assert "50 % of it gone" in slower


def test_builds_that_changed_nothing_share_a_line(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 90)
    page = overview(one)
    quiet = page.xpath('//tr[@class="quiet"]')
    assert quiet
    told = len(page.xpath('//table[contains(@class, "builds")]/tbody/tr')) - len(quiet)
    folded = sum(len(row.xpath(".//li")) for row in quiet)
    assert told + folded == len(one.builds) == 30


@pytest.mark.parametrize(
    ("fails", "lines", "ended"),
    [
        # Of the last two builds a change could not be told yet.
        ([0, 0, 0, 0, 0, 0], 3, ": nothing failed"),
        ([2, 2, 2, 2, 2, 2], 3, ": 2 failed as afterwards"),
        ([0, 0, 0, 3, 0, 0], 4, ": nothing failed"),  # what failed stands by itself
    ],
)
def test_builds_are_folded_only_over_what_says_nothing_new(
    fails: list[int], lines: int, ended: str, make_strand: MakeStrand
) -> None:
    one = make_strand(BENCH, 6)
    runs = tuple(
        replace(run, build=f"b{n}", counts={"fail": failed, "pass": 9, "bench-fault": n % 2})
        for n, (run, failed) in enumerate(zip(one.runs, fails, strict=True))
    )
    trends = {
        key: tuple(replace(trend, changes=()) for trend in group)
        for key, group in one.trends.items()
    }
    page = overview(replace(one, runs=runs, trends=trends))
    rows = page.xpath('//table[contains(@class, "builds")]/tbody/tr')
    assert len(rows) == lines
    summaries = [text(node) for node in page.xpath('//tr[@class="quiet"]//summary')]
    assert [s[-len(ended) :] for s in summaries] == [ended]
    searched = " ".join(row.get("data-search") for row in rows)
    assert all(f"b{n} " in searched for n in range(6))


def test_a_change_of_one_measure_in_many_items_is_one_group(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH)
    change = one.trends["nightly", "start.hall.cw.24v"][0].changes[0]
    many = [replace(change, item=f"start-{n}", margin_after=0.3 - 0.01 * n) for n in range(5)]
    other = replace(change, measure="peak-current", margin_after=-0.1)
    groups = grouped([*many, other])
    assert [(group.measure, len(group.changes)) for group in groups] == [
        ("peak-current", 1),
        ("time-to-speed", 5),
    ]
    assert groups[1].worst.item == "start-4"
    assert groups[0].weight == "out"


def roomy(one: Gathered, *items: str) -> Gathered:
    """The changes of these items came while the build stayed the same."""
    trends = {
        key: tuple(
            replace(t, changes=tuple(replace(c, same_build=key[1] in items) for c in t.changes))
            for t in group
        )
        for key, group in one.trends.items()
    }
    return replace(one, trends=trends)


def test_what_changed_under_the_same_build_is_not_its_doing(make_strand: MakeStrand) -> None:
    one = roomy(make_strand(BENCH, 30), "start.hall.cw.24v")
    page = overview(one)
    answer = text(page.xpath('//div[@class="answer"]')[0])
    assert "1 of 10 builds changed something lastingly." in answer
    blamed, room = (
        text(page.xpath(f'//h3[starts-with(., "{words}")]/following-sibling::ul')[0])
        for words in ("Last builds that changed", "Changed while the build stayed the same")
    )
    assert "reversal.back-emf.2000rpm" in blamed
    assert "start.hall.cw.24v" not in blamed
    assert "start.hall.cw.24v +0.2 s" in room
    assert one.runs[12].build not in room
    (row,) = page.xpath('//tr[contains(@class, "changed")][contains(., "start.hall.cw.24v")]')
    assert "; the same build ran before without it: look at bench and room first" in text(row)
    none = overview(roomy(one, "start.hall.cw.24v", "reversal.back-emf.2000rpm"))
    assert "None of 10 builds changed something lastingly." in text(none)
    assert "Last builds that changed something" not in text(none)


def test_changes_under_the_same_build_are_a_group_of_their_own(make_strand: MakeStrand) -> None:
    change = make_strand(BENCH).trends["nightly", "start.hall.cw.24v"][0].changes[0]
    some = [replace(change, item=f"start-{n}", same_build=n > 2) for n in range(5)]
    assert [(g.where, g.worst.same_build) for g in grouped(some)] == [
        ("in 3 items", False),
        ("in 2 items", True),
    ]


def test_of_builds_with_too_few_runs_nothing_is_said(make_strand: MakeStrand) -> None:
    """A level lasts three nights at least: a change with a later run cannot be seen yet."""
    one = make_strand(BENCH, 30)
    builds = [f"b{n}" if n < 27 else f"new{n}" for n in range(30)]
    runs = tuple(replace(run, build=b) for run, b in zip(one.runs, builds, strict=True))
    bare = {key: tuple(replace(t, changes=()) for t in group) for key, group in one.trends.items()}
    page = overview(replace(one, runs=runs, trends=bare))
    said = {
        text(row.xpath("./th")[0]).split()[0]: text(row.xpath("./td")[-1])
        for row in page.xpath('//table[contains(@class, "builds")]/tbody/tr[th]')
    }
    assert said["new29"] == said["new28"] == "nothing can be told yet"
    assert "nothing can be told yet" not in text(page.xpath('//tr[@class="quiet"]')[0])
    unjudged = {
        key: tuple(replace(t, changes=(), judged=False) for t in group)
        for key, group in one.trends.items()
    }
    page = overview(replace(one, runs=runs, trends=unjudged))
    assert "builds of which nothing can be told yet" in text(page)
    assert "changed nothing" not in text(page)


def test_runs_that_cannot_be_judged_may_be_compared(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 4)
    unjudged = {
        key: tuple(replace(t, changes=(), judged=False) for t in group)
        for key, group in one.trends.items()
    }
    views = [overview_of(replace(one, trends=unjudged))]
    for rooms, links in (((("Compare", "compare.html"),), ["compare.html"]), ((), [])):
        page = html.fromstring(overview_page(replace(frame("index.html"), rooms=rooms), views))
        assert page.xpath('//p[contains(., "None has nights enough")]/a/@href') == links


def test_what_broke_last_night_is_said(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 30)
    cut = replace(one, runs=one.runs[:22])  # the failure is new in the last run
    answer = text(overview(cut).xpath('//div[@class="answer"]')[0])
    assert "Passed the last time, not now (1)" in answer
    assert "time-to-speed 1.5 s is above 1.2 s" in answer


def test_a_run_that_did_not_end_and_one_that_was_altered_are_said(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 6)
    runs = (
        replace(one.runs[0], trouble="altered: its record is another"),
        *one.runs[1:-1],
        replace(one.runs[-1], end=""),
    )
    answer = text(overview(replace(one, runs=runs)))
    assert "It did not come to its end" in answer
    assert "1 of 6 runs is not as it was indexed" in answer
    early = replace(one.runs[-1], end="interrupted: Ctrl-C")
    assert "It ended early: interrupted: Ctrl-C" in text(
        overview(replace(one, runs=(*runs[:-1], early)))
    )


def test_what_the_last_run_left_unsafe_stands_above_all(make_strand: MakeStrand, tmp_path) -> None:
    one = make_strand(BENCH, 6)
    entries = [
        RunStart(run="r", utc="2026-03-01T02:00:00Z", simulated=False, bench="b", rig="pump"),
        Note(utc="2026-03-01T03:00:00Z", level=UNSAFE, text="supply: output may still be on"),
        Note(utc="2026-03-01T03:00:01Z", level="warning", text="a slow answer"),
    ]
    for run in one.runs[-2:]:
        (tmp_path / run.run).mkdir()
        (tmp_path / run.run / "record.jsonl").write_text(
            "".join(f"{encode(entry)}\n" for entry in entries)
        )
    folders = {run.run: str(tmp_path / run.run) for run in one.runs[-2:]}
    page = overview(replace(one, folders=folders))
    (alert,) = page.xpath('//*[@role="alert"]')
    assert text(alert).startswith("CHECK THE BENCH before anybody touches it")
    assert text(alert).endswith("supply: output may still be on")
    assert alert.getnext().get("class") == "answer"
    simulated = overview(replace(one, folders=folders, strand=Strand("pump", "simulated")))
    assert not simulated.xpath('//*[@role="alert"]'), "no bench to look at"


@pytest.mark.parametrize("evidence", [BENCH, Strand("pump", "simulated")])
def test_what_of_the_plan_is_not_in_the_last_run_is_said(
    make_strand: MakeStrand, tmp_path, evidence
) -> None:
    one = replace(make_strand(BENCH, 6), strand=evidence)
    left = Omitted(plan="smoke", why=DESELECTED, items={"reversal": (), "step": ()})
    start = RunStart(
        run="r", utc="2026-03-01T02:00:00Z", simulated=evidence.simulated, bench="b", rig="pump",
        items=("start.hall",), omitted=(left,),
    )  # fmt: skip
    (tmp_path / "record.jsonl").write_text(f"{encode(start)}\n")
    page = overview(replace(one, folders={one.runs[-1].run: str(tmp_path)}))
    said = "2 of 3 planned items are not in this run: reversal, step"
    assert f"not all {DESELECTED}: {said}" in text(page.xpath('//div[@class="answer"]')[0])
    assert "not all" not in text(overview(replace(one, folders={})))


def test_a_partial_run_is_none_all_of_whose_items_passed(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 30)
    runs = [
        replace(run, deselected=7 if n == 20 else None if n == 19 else 0)
        for n, run in enumerate(one.runs)
    ]
    page = overview(replace(one, runs=tuple(runs)))
    answer = text(page.xpath('//div[@class="answer"]')[0])
    assert f"Last whole run all of whose items passed: {one.runs[18].night}" in answer
    assert "not known of 1 run whether it is whole" in answer
    whole = overview(replace(one, runs=tuple(replace(run, deselected=0) for run in runs)))
    assert "partial" not in text(whole.xpath('//table[contains(@class, "builds")]')[0])
    last = replace(one.runs[-1], deselected=1)
    told = text(overview(replace(one, runs=(*one.runs[:-1], last))))
    assert "2 of 3 items passed (partial: 1 planned item deselected), 1 fail." in told
    assert "(partial: 1 planned item deselected)" in told[told.index("What changed") :]


def test_what_failed_shows_although_a_partial_run_lies_between(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 30)
    between = replace(one.runs[20], deselected=2)
    runs = (*one.runs[:20], between, one.runs[21])
    failing = next(line.item for line in overview_of(replace(one, runs=one.runs[:22])).newly)
    few = {k: v for k, v in one.results[between.run].items() if v.item != failing}
    cut = replace(one, runs=runs, results={**one.results, between.run: few})
    assert [line.item for line in overview_of(cut).newly] == [failing]


def test_a_build_is_not_quiet_because_its_last_run_left_out_what_fails(
    make_strand: MakeStrand,
) -> None:
    one = make_strand(BENCH, 30)
    counts = {**one.runs[0].counts, "fail": 1}

    def quiet(part: int) -> bool:
        runs = list(one.runs)
        runs[1] = replace(runs[1], counts=counts)
        runs[2] = replace(runs[2], deselected=part)
        rows = overview(replace(one, runs=tuple(runs))).xpath('//tr[@class="quiet"]')
        return any(one.runs[0].build in text(row) for row in rows)

    assert quiet(0)
    assert not quiet(2)


def test_that_it_is_not_known_whether_all_is_safe_is_said(
    make_strand: MakeStrand, tmp_path
) -> None:
    one = make_strand(BENCH, 6)
    unknown = "not known whether that run left the bench safe: "
    out_of_reach = overview(replace(one, folders={one.runs[-1].run: str(tmp_path / "gone")}))
    assert unknown + f"{tmp_path / 'gone'}/record.jsonl: no readable record" in text(out_of_reach)
    (tmp_path / "record.jsonl").write_text("torn\ntwice\n")
    torn = overview(replace(one, folders={one.runs[-1].run: str(tmp_path)}))
    assert unknown + f"{tmp_path}/record.jsonl:1" in text(torn)
    simulated = replace(one, folders={}, strand=Strand("pump", "simulated"))
    assert unknown not in text(overview(simulated))


def test_what_cannot_be_judged_is_not_called_unchanged(make_strand: MakeStrand) -> None:
    one = make_strand(BENCH, 6)

    def judged(some: int) -> str:
        kept = iter(range(100))
        trends = {
            key: tuple(replace(t, changes=(), judged=next(kept) < some) for t in group)
            for key, group in one.trends.items()
        }
        return text(overview(replace(one, trends=trends)).xpath('//div[@class="answer"]')[0])

    assert "None has nights enough to tell a lasting change yet." in judged(0)
    assert "No lasting change was found. 1 never vary or have too few nights" in judged(3)
    assert judged(4).endswith("No lasting change was found.")


def test_an_empty_site_says_so() -> None:
    page = html.fromstring(overview_page(frame("index.html"), [], ["runs/x: no record"]))
    assert "There is no run in this site." in text(page)
    assert "not shown runs/x: no record" in text(page)


def test_the_standing_is_the_worst_word() -> None:
    assert standing({"fail": 0, "undecided": 2, "pass": 7}) == "undecided"
    assert standing({}) == "not-run"
