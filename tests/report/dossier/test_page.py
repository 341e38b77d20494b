"""The page of a dossier: everything said, nothing let through, prints."""

from __future__ import annotations

import builtins
import re
from pathlib import Path

import pytest
from lxml import html

from hil.core.verdict import Verdict
from hil.report.dossier.pdf import PdfUnavailable, require_pdf, write_pdf
from hil.report.markup import CAUTIONS

TEXT = "  - {id: R-1, text: It starts., supports: clause 7.3}\n  - {id: R-2, text: It stops.}\n"


def rendered(lab, *runs, text: str = TEXT, **more) -> tuple[html.HtmlElement, Path]:
    _, out = lab.dossier(lab.requirements(text), *runs, **more)
    return html.fromstring((out / "dossier.html").read_text()), out


def select(root: html.HtmlElement, selector: str) -> list[html.HtmlElement]:
    """Elements below `root` by tag, .class or #id; a space goes down."""
    found = [root]
    for part in selector.split():
        test = {".": "contains(concat(' ', @class, ' '), ' {} ')", "#": "@id='{}'"}.get(part[0])
        path = f".//*[{test.format(part[1:])}]" if test else f".//{part}"
        found = [below for one in found for below in one.xpath(path)]
    return found


def words(element: html.HtmlElement) -> str:
    return " ".join(element.text_content().split())


@pytest.fixture
def mixed(lab):
    """A run with a fail, one without, waived and changed things."""
    fine = lab.item("x", lab.judged(high=3.0), marks=["R-1"])
    before = lab.run("first", fine, lab.item("y", lab.judged(), marks=["R-2"]))
    _, former = lab.dossier(lab.requirements(TEXT), before)
    bad = lab.item("y", lab.judged("t", Verdict.FAIL), marks=["R-2"])
    run = lab.run("a", lab.item("x", lab.judged(high=4.0), marks=["R-1"]), bad)
    waivers = lab.waivers("{requirement: R-2, reason: Known., approver: QA, expires: 2027-01-01}")
    return rendered(lab, run, waivers=waivers, previous=former)


def test_what_a_release_manager_looks_for_stands_on_top(mixed) -> None:
    page, _ = mixed
    (outcome,) = select(page, ".outcome")
    assert words(outcome) == (
        "NOT qualified without waivers: 1 failed (R-2 waived); 1 of 2 covered"
    )
    rows = [words(row) for row in select(page, ".matrix tbody tr")]
    assert rows[0].startswith("R-2 ✗failed waived It stops.")
    assert rows[1].startswith("R-1 ✓covered It starts.")
    assert "3 changes in what is asked for" in words(page)
    assert "SIMULATED" not in words(page)


def test_what_an_auditor_looks_for_is_there(mixed) -> None:
    page, _ = mixed
    text = words(page)
    for said in (
        "Evidence arranged to support",
        "clause 7.3",
        "waived until 2027-01-01 by QA: Known. The requirement stays failed.",
        "pass band success", "at most 3 s (simple)", "at most 4 s (simple)", "looser",
        "A. Bench", "ambient 22 degC", "image.bin", "c0ffee", "due on 2027-01-31",
        "It does not show", "there is no trusted time in it",
        "Prepared by", "Reviewed by", "Approved by", "Seal of this dossier",
        *CAUTIONS,
    ):  # fmt: skip
        assert said in text, said


def test_links_lead_to_files_of_the_dossier_and_items_to_their_report(mixed) -> None:
    page, out = mixed
    links = {a.get("href") for a in select(page, "a")}
    anchors = set(page.xpath("//@id"))
    assert len(links) >= 8
    for link in links:
        file, _, anchor = link.partition("#")
        assert not file or (out / file).exists(), link
        if not file:
            assert anchor in anchors, link
        elif anchor:
            report = html.fromstring((out / file).read_text())
            assert select(report, f"#{anchor}"), link


def test_simulated_evidence_is_stamped_everywhere(lab) -> None:
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]), simulated=True)
    text = "  - {id: R-1, text: It starts., evidence: simulated-is-enough}\n"
    page, out = rendered(lab, run, text=text)
    assert "SIMULATED" in select(page, "title")[0].text
    assert "No motor turned" in words(select(page, ".banner")[0])
    assert "qualified on SIMULATED evidence" in words(select(page, ".outcome")[0])
    for heading in ("summary", "requirements", "each", "runs", "sign-off"):
        assert "SIMULATED" in words(select(page, f"#{heading}")[0]), heading
    assert 'content: "SIMULATED"' in (out / "dossier.html").read_text()


def test_text_from_files_is_no_markup(lab) -> None:
    evil = "<script>alert(1)</script>"
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"], reason=evil))
    text = f'  - {{id: R-1, text: "{evil}", supports: "\\u202Ex"}}\n'
    page, out = rendered(lab, run, text=text)
    assert not select(page, "script")
    assert evil in words(page)
    assert "\u202e" not in (out / "dossier.html").read_text()


def test_an_id_that_is_no_word_can_be_linked_to(lab) -> None:
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R 1/ä"]))
    page, _ = rendered(lab, run, text="  - {id: R 1/ä, text: a}\n")
    (link,) = select(page, ".matrix tbody a")
    from urllib.parse import unquote

    assert page.get_element_by_id(unquote(link.get("href")[1:])) is not None


def test_the_page_needs_nothing_from_a_network(mixed) -> None:
    _, out = mixed
    text = (out / "dossier.html").read_text()
    assert not re.search(r"(src|href)=\"(https?:)?//", text)
    assert "@import" not in text


# -- PDF ---------------------------------------------------------------------------------------


def test_the_pdf_is_written_with_the_links_of_the_folder(lab) -> None:
    pytest.importorskip("weasyprint", exc_type=(ImportError, OSError))
    run = lab.run("a", lab.item("x", lab.judged(), marks=["R-1"]))
    _, out = rendered(lab, run, pdf=True)
    content = (out / "dossier.pdf").read_bytes()
    assert content.startswith(b"%PDF-")
    assert str(lab.path).encode() not in content
    assert len(content) > 10_000


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ImportError("weasyprint"), r"pip install 'hil\[pdf\]'"),
        (OSError("cannot load library 'libpango-1.0-0'"), "Debian: libpango-1.0-0"),
    ],
)
def test_without_what_it_needs_the_error_says_what(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, error: Exception, words: str
) -> None:
    real = builtins.__import__

    def failing(name: str, *rest: object) -> object:
        if name == "weasyprint":
            raise error
        return real(name, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", failing)
    with pytest.raises(PdfUnavailable, match=words):
        require_pdf()
    with pytest.raises(PdfUnavailable, match=words):
        write_pdf(tmp_path / "page", tmp_path / "pdf")
