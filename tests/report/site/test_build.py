"""The whole way: run folders, index, views, pages; built anew and brought up to date."""

from __future__ import annotations

import gc
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from lxml import html

from ci.history import Change, History, make_history
from hil.report.rebuild import rebuild
from hil.report.site.build import Site, report_copy
from hil.report.site.campaigns import campaigns_in
from hil.report.site.gather import Gathered, gather
from hil.report.site.publish import STATE, Published, publish
from hil.report.site.views import Strand
from hil.store.index import open_index

NIGHTS = 40


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, History]:
    """Forty nights of six items, with a step of eight sigmas in night 20."""
    out = tmp_path_factory.mktemp("history")
    first = make_history(out / "draft", nights=1, items=6, seed=9, changes=0)
    shutil.rmtree(out / "draft")
    change = Change(first.items[0], "peak-current", 20, 8.0)
    return out, make_history(out / "runs", NIGHTS, 6, 9, [change], traces=3, gap=0.05)


def gathered(roots: list[Path], base: Path, **more: Any) -> list[Gathered]:
    with open_index(base / "index.db") as index:
        index.rebuild(roots)
        return gather(index, **more)


def built(out: Path, strands: list[Gathered], **more: Any) -> Published:
    return publish(out, Site(out, strands, **more).pieces())


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_what_was_changed_is_on_the_first_page(
    history: tuple[Path, History], tmp_path: Path
) -> None:
    base, made = history
    (one,) = gathered([base / "runs"], tmp_path)
    (change,) = one.changes
    (seeded,) = made.changes
    assert (change.item, change.measure) == (seeded.item, "peak-current")
    assert change.build == made.first_build(seeded)
    assert one.runs[change.at].utc[:10] >= one.runs[change.last_before].utc[:10]
    built(tmp_path / "out", [one])
    page = html.fromstring((tmp_path / "out" / "index.html").read_bytes())
    (row,) = page.xpath('//tr[@class="changed"]')
    assert made.first_build(seeded) in row.text_content()
    assert row.xpath('.//div[contains(@class, "moved")]/a/@href') == [change.page]
    assert (tmp_path / "out" / change.page).is_file()


def test_a_site_grown_night_by_night_is_a_site_built_at_once(
    history: tuple[Path, History], tmp_path: Path, make_campaigns: Callable[[Path], None]
) -> None:
    """Byte for byte, the state included; campaigns, traces and reports as well."""
    _, made = history
    runs, place = tmp_path / "runs", tmp_path / "place"
    runs.mkdir()
    make_campaigns(tmp_path / "campaigns")
    given = {"campaigns": campaigns_in([tmp_path / "campaigns"]), "traces": 2, "reports": 1}
    for n, folder in enumerate(made.folders, 1):
        shutil.copytree(folder, runs / folder.name)
        if n > len(made.folders) - 3:
            rebuild(runs / folder.name)
        if n % 9 == 0 or n > len(made.folders) - 3:
            done = built(place, gathered([runs], tmp_path), **given)
    assert done.kept > 0
    grown = tree(place)
    shutil.rmtree(place)
    fresh = tmp_path / "fresh"
    fresh.mkdir()
    built(place, gathered([runs], fresh), **given)
    whole = tree(place)
    assert set(grown) == set(whole)
    assert [path for path in whole if grown[path] != whole[path]] == []


def test_nothing_new_writes_nothing(history: tuple[Path, History], tmp_path: Path) -> None:
    strands = gathered([history[0] / "runs"], tmp_path)
    first = built(tmp_path / "out", strands, traces=2)
    again = built(tmp_path / "out", strands, traces=2)
    assert (again.written, again.removed) == ((), ())
    assert again.kept == len(first.written)
    assert again.size == first.size


def test_a_new_night_of_one_rig_leaves_the_pages_of_another_alone(
    history: tuple[Path, History], tmp_path: Path
) -> None:
    make_history(tmp_path / "bench", 12, 4, 3, 0, simulated=False, rig="other")
    roots = [history[0] / "runs", tmp_path / "bench"]
    built(tmp_path / "out", gathered(roots, tmp_path))
    make_history(tmp_path / "bench", 14, 4, 3, 0, simulated=False, rig="other", first_night=12)
    strands = gathered(roots, tmp_path)
    done = built(tmp_path / "out", strands)
    twin = next(one for one in strands if one.strand.simulated)
    untouched = {line.page for line in twin.items} | {run.page for run in twin.runs}
    assert done.written
    assert untouched.isdisjoint(done.written)


def test_bench_and_simulated_evidence_never_share_a_page_of_figures(
    history: tuple[Path, History], tmp_path: Path
) -> None:
    """The same rig, items and measures; every page of figures holds runs of one kind only."""
    make_history(tmp_path / "bench", 10, 6, 10, 0, simulated=False)
    strands = gathered([history[0] / "runs", tmp_path / "bench"], tmp_path)
    assert [one.strand for one in strands] == [
        Strand("dosing-pump", "bench"),
        Strand("dosing-pump", "simulated"),
    ]
    kind = {Path(run.page).name: one.strand.simulated for one in strands for run in one.runs}
    built(tmp_path / "out", strands)
    for folder in ("measures", "items"):
        for page in (tmp_path / "out" / folder).glob("*.html"):
            text = page.read_text("utf-8")
            kinds = {kind[name] for name in re.findall(r"runs/([^/\"]+\.html)\"", text)}
            assert len(kinds) <= 1, page
            if folder == "measures":
                assert kinds == {"SIMULATED" in text}, page


def test_every_link_of_the_site_leads_somewhere(
    history: tuple[Path, History], tmp_path: Path, make_campaigns: Callable[[Path], None]
) -> None:
    _, made = history
    make_campaigns(tmp_path / "campaigns")
    rebuild(made.folders[-1])
    out = tmp_path / "out"
    strands = gathered([history[0] / "runs"], tmp_path)
    found = campaigns_in([tmp_path / "campaigns"])
    built(out, strands, campaigns=found, traces=2, reports=1)
    seen = 0
    for page in out.rglob("*.html"):
        tree = html.fromstring(page.read_bytes())
        names = set(tree.xpath("//@id"))
        for link in [
            *tree.xpath("//a/@href"),
            *tree.xpath("//script/@src"),
            *tree.xpath("//link/@href"),
        ]:
            if link.startswith("data:"):
                continue
            path, _, fragment = link.partition("#")
            assert not re.match(r"[a-z]+:", path), f"{page}: {link}"
            if path:
                assert (page.parent / unquote(path)).is_file(), f"{page}: {link}"
            elif fragment:
                assert fragment in names, f"{page}: {link}"
            seen += 1
    assert seen > 1000


def test_every_page_is_reached_from_the_first(
    history: tuple[Path, History], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    built(out, gathered([history[0] / "runs"], tmp_path), traces=2)
    reached, ahead = set(), [out / "index.html"]
    while ahead:
        page = ahead.pop()
        if page in reached:
            continue
        reached.add(page)
        for link in html.fromstring(page.read_bytes()).xpath("//a/@href"):
            target = (page.parent / unquote(link.partition("#")[0])).resolve()
            if target.suffix == ".html" and target.is_relative_to(out.resolve()):
                ahead.append(target)
    assert {page.resolve() for page in out.rglob("*.html")} <= {page.resolve() for page in reached}


def test_a_report_copied_into_the_site_brings_its_chart_script_once(
    history: tuple[Path, History], tmp_path: Path
) -> None:
    _, made = history
    for folder in made.folders[-2:]:
        rebuild(folder)
    out = tmp_path / "out"
    built(out, gathered([history[0] / "runs"], tmp_path), reports=2)
    names = sorted(path.name for path in (out / "reports").iterdir())
    assert names == sorted([*(f"{f.name}.html" for f in made.folders[-2:]), "plotly.min.js"])
    page = (out / "runs" / f"{made.folders[-1].name}.html").read_text("utf-8")
    assert f'href="../reports/{made.folders[-1].name}.html"' in page


def test_a_copied_report_names_files_that_stay_behind(tmp_path: Path) -> None:
    report = tmp_path / "report.html"
    report.write_text(
        '<a href="#items">Back</a><p><a href="traces/a%20b.1.parquet">Trace file</a>, 3 lost</p>'
        '<a href="serial/a.log">Raw serial log</a><code>traces/x</code>'
        '<script>{"href": "<a href=\\"traces/x\\">"}</script>'
    )
    assert report_copy(report).decode() == (
        '<a href="#items">Back</a><p>Trace file (traces/a%20b.1.parquet in the folder of the run)'
        ", 3 lost</p>Raw serial log (serial/a.log in the folder of the run)<code>traces/x</code>"
        '<script>{"href": "<a href=\\"traces/x\\">"}</script>'
    )


def test_the_traces_of_a_copied_report_are_named_in_it(
    history: tuple[Path, History], tmp_path: Path
) -> None:
    folder = history[1].folders[-1]
    rebuild(folder)
    whole = (folder / "report.html").read_text("utf-8")
    assert 'href="traces/' in whole
    out = tmp_path / "out"
    built(out, gathered([history[0] / "runs"], tmp_path), reports=1)
    copy = (out / "reports" / f"{folder.name}.html").read_text("utf-8")
    assert copy.count("in the folder of the run)") == whole.count('href="traces/') + whole.count(
        'href="serial/'
    )
    assert 'href="traces/' not in copy


def test_runs_may_be_chosen(history: tuple[Path, History], tmp_path: Path) -> None:
    last = history[1].folders[-5:]
    names = {folder.name for folder in last}
    (one,) = gathered([history[0] / "runs"], tmp_path, wanted=lambda run: run.run in names)
    assert [run.run for run in one.runs] == [folder.name for folder in last]
    assert all(trend.at.max() < 5 for group in one.trends.values() for trend in group)
    assert set(one.results) == names


def test_an_altered_run_is_marked_and_its_figures_are_left_out(
    history: tuple[Path, History], tmp_path: Path
) -> None:
    runs = tmp_path / "runs"
    shutil.copytree(history[0] / "runs", runs)
    gathered([runs], tmp_path)
    victim = runs / history[1].folders[7].name / "record.jsonl"
    victim.write_bytes(victim.read_bytes().replace(b"nightly", b"nughtly"))
    (one,) = gathered([runs], tmp_path)
    (marked,) = [n for n, run in enumerate(one.runs) if run.trouble]
    assert one.runs[marked].run == victim.parent.name
    assert all(marked not in trend.at for group in one.trends.values() for trend in group)
    built(tmp_path / "out", [one])
    page = (tmp_path / "out" / one.runs[marked].page).read_text("utf-8")
    assert "Its folder is not as it was indexed: altered" in page


def test_an_empty_index_is_an_empty_site(tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    strands = gathered([tmp_path / "runs"], tmp_path)
    assert strands == []
    built(tmp_path / "out", strands, traces=5)
    assert set(tree(tmp_path / "out")) == {"index.html", "site.css", "site.js", STATE}


def test_gathering_and_publishing_leave_the_collector_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "runs").mkdir()
    assert gc.isenabled()
    built(tmp_path / "out", gathered([tmp_path / "runs"], tmp_path))
    assert gc.isenabled()
    gc.disable()
    try:
        built(tmp_path / "out", gathered([tmp_path / "runs"], tmp_path))
        assert not gc.isenabled()
    finally:
        gc.enable()


def test_measures_have_their_definitions(history: tuple[Path, History], tmp_path: Path) -> None:
    (one,) = gathered([history[0] / "runs"], tmp_path)
    trends = [trend for group in one.trends.values() for trend in group]
    assert sum(bool(trend.definition) for trend in trends) > len(trends) // 2
