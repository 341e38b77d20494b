"""A run as a short page of Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import html
from markdown_it import MarkdownIt

from hil.core.band import Band
from hil.core.measure import Measure, Outcome
from hil.core.record import (
    UNSAFE,
    Identity,
    ItemResult,
    ItemStart,
    Note,
    Omitted,
    RunEnd,
    RunStart,
)
from hil.core.verdict import Judgement, Verdict
from hil.report.job_summary import LONGEST_REASON, MOST_BYTES, MOST_LINES, job_summary
from hil.store.folder import RunFolder
from hil.store.reading import RunRecord, read

UTC = "2026-03-01T22:15:09.123Z"
PARSER = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
BOARD = Identity(role="board", model="DOSING-DRIVE", revision="5EED0001")


def result(name: str, verdict: Verdict, reason: str = "why", *judged: Judgement) -> ItemResult:
    return ItemResult(
        item=name, scenario="start", plan="nightly", title="", conditions={}, verdict=verdict,
        reason=reason, utc=UTC, duration=1.0, judgements=judged,
    )  # fmt: skip


def outside(value: float | None) -> Judgement:
    """A time to speed outside of at most 1 s, or never reached."""
    band = Band("time-to-speed", None, 1.0, "s")
    if value is None:
        nothing = Measure.absent("time-to-speed", "s", Outcome.NEVER_REACHED, "")
        return Judgement(band, nothing, Verdict.FAIL, "")
    number = Measure("time-to-speed", "s", value, 0.01)
    return Judgement(band, number, Verdict.FAIL, "", margin=1.0 - value)


def record(
    path: Path,
    *results: ItemResult,
    change: Callable[[RunStart], RunStart] = lambda start: start,
    planned: Sequence[str] = (),
    notes: Sequence[str] = (),
    ended: bool = True,
) -> RunRecord:
    with RunFolder.create(path, "night") as folder:
        items = tuple(one.item for one in results) + tuple(planned)
        folder.append(change(RunStart(
            run=folder.path.name, utc=UTC, simulated=False, bench="bench of rig pump", rig="pump",
            items=items, identities=(BOARD,), commit="c0ffee",
        )))  # fmt: skip
        for n, one in enumerate(results, 1):
            folder.append(ItemStart(item=one.item, utc=UTC, position=n, of=len(items)))
            folder.append(one)
        for text in notes:
            folder.append(Note(utc=UTC, text=text, level=UNSAFE))
        if ended:
            folder.append(RunEnd(utc=UTC, reason="completed", counts={}))
        return read(folder.path)


def page(markdown: str) -> html.HtmlElement:
    return html.fromstring(f"<div>{PARSER.render(markdown)}</div>")


def tables(markdown: str) -> list[list[list[str]]]:
    """Cells of every table but the first one, of the counts."""
    return [
        [[cell.text_content() for cell in line] for line in table.xpath("./tbody/tr")]
        for table in page(markdown).xpath("//table")
    ][1:]


def lines(markdown: str) -> list[str]:
    return [one.text_content() for one in page(markdown).xpath("//li")]


def test_a_run_that_passed_is_short(tmp_path: Path) -> None:
    found = job_summary(record(tmp_path, result("start", Verdict.PASS)))
    assert found.splitlines() == [
        "## ✓ pass: run night",
        "",
        "| verdict | items | meaning |",
        "| --- | --- | --- |",
        "| ✓ pass | 1 | Every pass band was met. |",
        "",
        "- Firmware: DOSING-DRIVE, build 5EED0001, commit c0ffee",
        "- Bench: bench of rig pump; rig pump",
        f"- Began: {UTC}",
        f"- Ended: {UTC}, completed",
        lines_of_artefacts(tmp_path),
        "",
    ]


def lines_of_artefacts(path: Path) -> str:
    folder = str(path / "night").replace("_", "\\_")
    return (
        f"- Artefacts: run folder {folder} (report.html, junit.xml, measures.csv, record.jsonl, "
        "traces, serial)"
    )


def test_what_failed_comes_first_and_the_worst_of_it_before_the_rest(tmp_path: Path) -> None:
    found = job_summary(record(
        tmp_path,
        result("little", Verdict.FAIL, "1.1 s", outside(1.1)),
        result("dark", Verdict.UNDECIDED, "no samples"),
        result("never", Verdict.FAIL, "never reached", outside(None)),
        result("much", Verdict.FAIL, "3 s", outside(3.0), outside(1.1)),
        result("fine", Verdict.PASS),
        result("link", Verdict.BENCH_FAULT, "cable"),
        result("skipped", Verdict.NOT_RUN, "no brake"),
        planned=["late"],
    ))  # fmt: skip
    failed, others = tables(found)
    assert failed == [
        ["never", "✗ fail", "never reached"],
        ["much", "✗ fail", "3 s"],
        ["little", "✗ fail", "1.1 s"],
    ]
    assert others == [
        ["link", "! bench-fault", "cable"],
        ["dark", "? undecided", "no samples"],
        ["skipped", "\u2013 not-run", "no brake"],
        ["late", "\u2013 not-run", "the run ended before it"],
    ]
    assert "### 3 items failed" in found
    assert "### 4 items came to no decision" in found
    assert "left out" not in found.lower()


def test_simulated_evidence_has_its_stamp(tmp_path: Path) -> None:
    made = record(tmp_path, result("x", Verdict.PASS), change=lambda s: replace(s, simulated=True))
    found = job_summary(made)
    assert found.startswith("## SIMULATED: ✓ pass: run night\n")
    assert "> **SIMULATED**: no motor turned" in found


def test_what_may_still_be_live_stands_above_everything_else(tmp_path: Path) -> None:
    notes = [f"the supply may be on: {n}" for n in range(MOST_LINES + 2)]
    found = lines(job_summary(record(tmp_path, result("x", Verdict.PASS), notes=notes)))
    assert found[0] == "CHECK THE BENCH: the supply may be on: 0"
    assert found[MOST_LINES] == "CHECK THE BENCH: and 2 more"


def test_what_is_missing_is_told(tmp_path: Path) -> None:
    omitted = (Omitted(plan="nightly", why="deselected", items={"stall": ()}),)
    made = record(
        tmp_path, result("x", Verdict.PASS), ended=False,
        change=lambda s: replace(s, omitted=omitted, identities=(), hashes={"pump.yaml": "ab"}),
    )  # fmt: skip
    found = lines(job_summary(made))
    assert "Firmware: not reported, commit c0ffee" in found
    assert "Ended: never: the run did not come to its end" in found
    assert any(one.startswith("Not in it: deselected: 1 of 2") for one in found)
    assert any(one.startswith("Unreadable: inputs/pump.yaml") for one in found)


def test_where_a_pipeline_keeps_the_run_is_linked(tmp_path: Path) -> None:
    found = page(job_summary(record(tmp_path, result("x", Verdict.PASS)), "https://ci.example/7#a"))
    (anchor,) = found.xpath("//a")
    assert anchor.get("href") == "https://ci.example/7#a"


words = st.text(max_size=30) | st.sampled_from(
    ["a|b", "\\", "`", "<b>", "\n\n# x", "|\n|---|", "</table>", "![x](y)", "\u202e", "**x**"]
)
HERE = settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])


@HERE
@given(st.lists(st.tuples(words, words), min_size=1, max_size=4), words, words)
def test_no_text_of_a_record_breaks_the_page(
    tmp_path_factory: pytest.TempPathFactory, found: list[tuple[str, str]], rig: str, note: str
) -> None:
    names = [f"{n}{name}" for n, (name, _) in enumerate(found)]
    made = record(
        tmp_path_factory.mktemp("run"),
        *(
            result(_storable(name), Verdict.FAIL, _storable(reason))
            for name, (_, reason) in zip(names, found, strict=True)
        ),
        change=lambda s: replace(
            s, rig=_storable(rig), bench=_storable(rig), commit=_storable(rig)
        ),
        notes=[_storable(note)],
    )
    root = page(job_summary(made))
    (table,) = root.xpath("//table")[1:]
    assert [len(line) for line in table.xpath("./tbody/tr")] == [3] * len(found)
    assert {str(one.tag) for one in root.iter()} <= {
        "div", "h2", "h3", "p", "ul", "li", "strong", "table", "thead", "tbody", "tr", "th", "td",
    }  # fmt: skip
    assert len(root.xpath("//h2")) == len(root.xpath("//h3")) == 1


def _storable(text: str) -> str:
    """Without halves of signs, which UTF-8 files cannot hold."""
    return text.encode("utf-8", "replace").decode()


# -- the cap ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> RunRecord:
    """Three thousand failed items with reasons that grow sixfold when they are escaped."""
    path = tmp_path_factory.mktemp("crowded")
    fails = [result(f"fail-{n:04}", Verdict.FAIL, "|" * 600) for n in range(3000)]
    return record(path, *fails, *(result(f"open-{n}", Verdict.UNDECIDED) for n in range(5)))


def test_a_page_stays_below_the_cap_and_says_what_is_left_out(crowded: RunRecord) -> None:
    found = job_summary(crowded)
    assert MOST_BYTES * 0.98 < len(found.encode()) <= MOST_BYTES
    (failed,) = tables(found)
    assert [cells[0] for cells in failed] == [f"fail-{n:04}" for n in range(len(failed))]
    assert all(len(cells[2]) == LONGEST_REASON for cells in failed)
    assert f"Left out here: {3005 - len(failed)} more items that did not pass" in found
    assert "report.html has all" in found
    assert "Long texts are cut" in found
    assert "| ✗ fail | 3000 |" in found


@HERE
@given(most=st.integers(0, 40_000))
def test_any_cap_holds_and_the_counts_add_up(crowded: RunRecord, most: int) -> None:
    found = job_summary(crowded, most=most)
    assert len(found.encode()) <= most
    if found:
        shown = sum(len(table) for table in tables(found))
        assert f"Left out here: {3005 - shown} more items" in found
    else:
        assert most < 2_500  # the head alone would not fit


def test_one_that_just_fits_leaves_nothing_out(tmp_path: Path) -> None:
    made = record(tmp_path, *(result(f"x{n}", Verdict.FAIL) for n in range(20)))
    whole = job_summary(made)
    again = job_summary(made, most=len(whole.encode()) + 400)
    assert again == whole
