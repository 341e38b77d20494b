"""The page as text: everything is said, nothing is markup that should be text."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest
from lxml import html

from hil.core.errors import StoreError
from hil.core.record import UNSAFE, Identity, ItemResult, Note, RunEnd, RunStart
from hil.core.verdict import Verdict
from hil.report.items import Standing
from hil.report.markup import CAUTIONS, SIGNS
from hil.report.page import page, write_page
from hil.store.reading import RunRecord, read


@pytest.fixture
def tree(full_run: Path) -> html.HtmlElement:
    return html.document_fromstring(page(read(full_run)))


def _text(node: html.HtmlElement) -> str:
    words = " ".join(" ".join(node.itertext()).split())
    return re.sub(" ([,;:.])", r"\1", words)


def _item(tree: html.HtmlElement, name: str) -> html.HtmlElement:
    (link,) = tree.xpath(f"//table[contains(@class,'index')]//a[text()='{name}']")
    return tree.get_element_by_id(link.get("href")[1:])


def test_the_first_lines_say_how_it_went(tree: html.HtmlElement) -> None:
    lead = _text(tree.xpath("//p[@class='lead']")[0])
    assert lead == (
        "✗ fail 1 of 8 items passed, 3 fail, 1 bench-fault, 1 interrupted, 1 undecided, 1 not-run. "
        "The run ended early: interrupted: Ctrl-C."
    )
    title = tree.findtext("head/title")
    assert title == "fail \u2013 run 2026-03-01t22-15-09z-5f0c \u2013 SIMULATED"


def test_a_bench_that_is_not_safe_stands_above_everything(full_run: Path) -> None:
    record = read(full_run)
    said = "the supply is not proven off, its output may still be on: no answer <b>"
    note = Note(utc=record.start.utc, text=said, level=UNSAFE)
    left = RunRecord(full_run, record.start, (*record.entries, note, note))
    tree = html.document_fromstring(page(left))
    (banner,) = tree.xpath("//*[@role='alert']")
    assert _text(banner).startswith("CHECK THE BENCH before anybody touches it")
    assert [_text(line) for line in banner.iter("li")] == [said]
    (header,) = tree.iter("header")
    assert banner.getparent() is header.getparent()
    assert banner.getparent().index(banner) < header.getparent().index(header)
    assert not html.document_fromstring(page(record)).xpath("//*[@role='alert']")


def test_the_tally_is_in_words_and_signs(tree: html.HtmlElement) -> None:
    said = [_text(li) for li in tree.xpath("//ul[@class='tally']/li")]
    assert [line.split()[:3] for line in said] == [
        ["✗", "3", "fail"],
        ["!", "1", "bench-fault"],
        ["‖", "1", "interrupted"],
        ["?", "1", "undecided"],
        ["\u2013", "1", "not-run"],
        ["✓", "1", "pass"],
    ]
    assert len(set(SIGNS.values())) == len(Standing)


def test_simulated_is_stamped_on_top_and_in_every_section(tree: html.HtmlElement) -> None:
    assert "SIMULATED" in _text(tree.xpath("//p[@class='banner']")[0])
    headings = tree.xpath("//h2 | //details/summary/h3")
    assert len(headings) > 10
    assert all("SIMULATED" in _text(heading) for heading in headings)
    assert "SIMULATED" in tree.findtext("head/title")


def test_a_bench_run_is_not_stamped(full_run: Path) -> None:
    record = read(full_run)
    real = replace(record, start=replace(record.start, simulated=False))
    assert "SIMULATED" not in page(real)


def test_items_are_listed_worst_first_with_reasons(tree: html.HtmlElement) -> None:
    rows = tree.xpath("//table[contains(@class,'index')]/tbody/tr")
    names = [_text(row.xpath("th")[0]) for row in rows]
    assert names == [
        "start-cw-hall",
        "start-cw-many",
        "start-weird",
        "stall-locked",
        "start-lost",
        "speed-step-up",
        "start-never",
        "reversal-2000",
    ]
    assert _text(rows[3].xpath("td")[1]) == "supply unreachable: timeout"


def test_only_failed_items_are_open(tree: html.HtmlElement) -> None:
    opened = {d.get("id") for d in tree.xpath("//details[contains(@class,'item')][@open]")}
    failed = {_item(tree, n).get("id") for n in ("start-cw-hall", "start-cw-many", "start-weird")}
    assert opened == failed


def test_a_measure_is_told_with_everything(tree: html.HtmlElement) -> None:
    row = _item(tree, "start-cw-hall").xpath(".//tbody/tr")[0]
    assert [_text(cell) for cell in row.xpath("th | td")] == [
        "peak-current REQ-17",
        "3.71 ± 0.10 A",
        "at most 3.5 A",
        "-0.212 A",
        "✗ fail",
        "guarded",
        "under 0.1 %",
    ]


def test_conditions_states_marks_steps_and_links(tree: html.HtmlElement) -> None:
    item = _item(tree, "start-cw-hall")
    said = _text(item)
    assert "sensing hall" in said
    assert "idle 0.00 to 0.10 s, align 0.10 to 0.40 s, ramp 0.40 to 0.80 s, run 0.80" in said
    assert "2 command 0.100 s (2000 rpm)" in said
    assert "600 telemetry frames, 3 lost, 1 damaged" in said
    assert _text(item.xpath(".//ol/li")[0]) == "supply 24 V on"
    links = {a.get("href") for a in item.xpath(".//a")}
    assert links == {"traces/start-cw-hall.1.parquet", "serial/start-cw-hall.log", "#items"}


def test_links_lead_to_files_that_are_there(tree: html.HtmlElement, full_run: Path) -> None:
    links = [a.get("href") for a in tree.xpath("//a") if not a.get("href").startswith("#")]
    assert len(links) == 25
    assert all((full_run / link).is_file() for link in links)
    anchors = {a.get("href")[1:] for a in tree.xpath("//a") if a.get("href").startswith("#")}
    assert anchors <= set(tree.xpath("//@id"))


def test_repetitions_are_summed_up_and_the_worst_drawn_first(tree: html.HtmlElement) -> None:
    item = _item(tree, "start-cw-many")
    said = _text(item)
    assert "19 of 20 (1 without a value)" in said
    headings = [_text(h) for h in item.xpath(".//h4")]
    assert headings == ["Repetition 7: fail", "Repetition 1: pass", "Repetition 2: pass"]
    folds = item.xpath(".//details[contains(@class,'fold')][contains(summary, 'repetition')]")
    assert len(folds[0].xpath(".//tbody/tr")) == 20
    assert "other repetitions: 3, 4, 5, 6, 8," in said


def test_hostile_text_stays_text(full_run: Path, tree: html.HtmlElement) -> None:
    item = _item(tree, "start-weird")
    assert 'plan "of" <script>alert(1)</script> & ]]>' in _text(item)
    assert not [s for s in tree.xpath("//script/text()") if "alert(1)" in s]
    content = page(read(full_run))
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\u202e]", content)
    content.encode()


def test_ids_are_unique_and_headings_in_order(tree: html.HtmlElement) -> None:
    ids = tree.xpath("//@id")
    assert len(ids) == len(set(ids))
    levels = [int(h.tag[1]) for h in tree.xpath("//h1|//h2|//h3|//h4")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    assert tree.get("lang") == "en"


def test_nothing_is_fetched_from_anywhere_else(tree: html.HtmlElement) -> None:
    fetched = tree.xpath("//script/@src | //link/@href | //img/@src | //iframe/@src")
    assert fetched == ["data:,", "plotly.min.js"]
    assert not re.search(r"url\(|@import", "".join(tree.xpath("//style/text()")))


def test_bench_limits_nameplate_and_hashes_are_there(tree: html.HtmlElement) -> None:
    said = " ".join(_text(part) for part in tree.xpath("//main"))
    for words in (
        "the rig's hardware did not answer (no such port), so the simulated bench runs",
        "1.4.2+g0a1b2c on Example pump-drive",
        "pole pairs 4",
        "current 8 A",
        "cd" * 32,
        "2026-09-30",
        "python 3.11.2",
        *CAUTIONS,
    ):
        assert words in said, words
    assert "IEC 60204-1, ISO 13850" in said


def test_a_firmware_that_changed_during_the_run_is_named(
    full_run: Path,
) -> None:
    record = read(full_run)
    other = Identity(role="board", maker="Example", model="pump-drive", revision="9.9.9")
    end = RunEnd(utc="u", reason="completed", counts={}, identities=(other,))
    said = page(replace(record, entries=(*record.entries, end)))
    assert "changed during the run to Example pump-drive 9.9.9" in said


def test_a_run_cut_short_says_so(full_run: Path) -> None:
    record = read(full_run)
    cut = replace(record, entries=record.entries[:-1], unfinished=True)
    lead = html.document_fromstring(page(cut)).xpath("//p[@class='lead']")[0]
    assert "The run did not come to its end; its last line was cut short." in _text(lead)


def test_an_empty_and_a_perfect_run(
    start_entry: RunStart, make_result: Callable[..., ItemResult]
) -> None:
    def lead(*results: ItemResult) -> str:
        end = RunEnd(utc="u", reason="completed", counts={})
        start = replace(start_entry, items=(), identities=())
        tree = html.document_fromstring(page(RunRecord(Path(), start, (start, *results, end))))
        return _text(tree.xpath("//p[@class='lead']")[0])

    assert lead() == "\u2013 not-run No item was planned or run."
    assert lead(make_result("a", Verdict.PASS)) == "✓ pass The one item passed."


def test_a_missing_trace_is_said_and_the_rest_shown(full_run: Path) -> None:
    (full_run / "traces" / "reversal-2000.1.parquet").unlink()
    item = _item(html.document_fromstring(page(read(full_run))), "reversal-2000")
    assert "The trace cannot be shown: traces/reversal-2000.1.parquet" in _text(item)


def test_a_page_of_seventy_items_is_small_enough(big_run: Path) -> None:
    content = page(read(big_run))
    assert len(content.encode()) < 8_000_000
    assert content.count('class="chart"') == 70


def test_the_chart_script_is_copied_once(full_run: Path) -> None:
    write_page(read(full_run), full_run / "report.html")
    script = full_run / "plotly.min.js"
    before = script.stat().st_mtime_ns
    write_page(read(full_run), full_run / "report.html")
    assert script.stat().st_mtime_ns == before
    script.write_text("cut")
    write_page(read(full_run), full_run / "report.html")
    assert script.stat().st_size > 1_000_000


def test_equal_records_give_equal_pages(full_run: Path) -> None:
    assert page(read(full_run)) == page(read(full_run))


def test_a_folder_that_cannot_be_written_is_a_store_error(full_run: Path) -> None:
    with pytest.raises(StoreError, match="cannot be written"):
        write_page(read(full_run), full_run / "none" / "report.html")


def test_an_item_without_a_title_of_its_own_is_named_once(full_run: Path) -> None:
    record = read(full_run)
    (first, *_) = [result for result in record.results if result.title]
    shown = html.document_fromstring(page(record))
    assert first.title in {_text(part) for part in _item(shown, first.item).xpath("p")}
    bare = tuple(
        replace(entry, title=entry.item) if isinstance(entry, ItemResult) else entry
        for entry in record.entries
    )
    shown = html.document_fromstring(page(replace(record, entries=bare)))
    assert first.item not in {_text(part) for part in _item(shown, first.item).xpath("p")}
