"""Text in Markdown says itself, held against a parser of CommonMark with tables."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from lxml import html
from markdown_it import MarkdownIt

from hil.report.markdown import escaped, link, row, table_head
from hil.report.markup import visible
from hil.report.numbers import NOTHING

PARSER = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])

#: Any text at all, and one of the signs that mean something in Markdown or HTML.
SIGNS = "|\\`*_~[]()<>&#!$-+=.:/\"' \n\r\tax1;"
texts = st.text(max_size=60) | st.text(st.sampled_from(SIGNS), max_size=60)
hostile = st.sampled_from(
    [
        "a | b", "a \\| b", "a \\", "`", "``|``", "<script>alert(1)</script>", "<!--", "</td></tr>",
        "&lt;b&gt;", "&#124;", "![x](javascript:alert(1))", "[x](http://y)", "**", "a\n\n# head",
        "a\r\n|---|", "<img src=x onerror=alert(1)>", "<http://x.y>", "\x00", "\u202e", "\ud800",
        "| --- |", "~~x~~", "a\u2028b", "1. x", "- x", "$x$", "&amp;#60;", "\\&lt;",
    ]
)  # fmt: skip


def root(markdown: str) -> html.HtmlElement:
    return html.fromstring(f"<div>{PARSER.render(markdown)}</div>")


def said(text: str) -> str:
    """What a text says on one line."""
    return str(visible(" ".join(text.split()))) or NOTHING


def tags(element: html.HtmlElement) -> set[str]:
    return {str(below.tag) for below in element.iter()}


@given(st.lists(texts | hostile, min_size=3, max_size=3))
@example(["\\", "|", "\\|"])
@example(["a\\", "\\\\", "\\\\|"])
def test_cells_hold_their_text_and_nothing_else(cells: list[str]) -> None:
    after = row(["last", "of", "all"])
    table = table_head(["a", "b", "c"]) + row(map(escaped, cells)) + after
    found = root(table)
    rows = [[cell.text_content() for cell in line] for line in found.xpath(".//tbody/tr")]
    assert rows == [[said(cell) for cell in cells], ["last", "of", "all"]]
    assert tags(found) == {"div", "table", "thead", "tbody", "tr", "th", "td"}


@given(texts | hostile)
def test_in_a_line_it_is_the_text(text: str) -> None:
    found = root(f"- why: {escaped(text)}\n")
    assert tags(found) == {"div", "ul", "li"}
    assert " ".join(found.text_content().split()) == f"why: {said(text)}".strip()


@given(texts | hostile)
def test_in_a_heading_it_is_the_text(text: str) -> None:
    found = root(f"## run {escaped(text)}\n\nafter\n")
    assert tags(found) == {"div", "h2", "p"}
    (heading,) = found.xpath(".//h2")
    assert heading.text_content() == f"run {said(text)}"


@given(texts, st.integers(1, 40))
def test_what_is_cut_is_whole_signs_of_the_text(text: str, longest: int) -> None:
    found = root(f"- why: {escaped(text, longest)}\n").text_content().strip()
    whole, shown = said(text), found.removeprefix("why: ")
    if len(whole) <= longest:
        assert shown == whole
    else:
        assert shown.endswith("\u2026")
        assert len(shown) <= longest
        assert whole.startswith(shown[:-1])


def test_it_stays_readable() -> None:
    assert escaped("start.hall.cw-24v: 5 V, 0.3 s") == "start.hall.cw-24v: 5 V, 0.3 s"
    assert escaped("back_emf[1]") == "back\\_emf\\[1\\]"
    assert escaped("a | b") == "a &#124; b"
    assert escaped(" \n ") == NOTHING


@given(texts | hostile)
def test_a_link_leads_where_it_says(rest: str) -> None:
    address = f"https://ci.example/{rest}"
    found = root(row([link("kept here", address), "x"]).join([table_head("ab"), ""]))
    cells = found.xpath(".//tbody/tr/td")
    (anchor,) = cells[0].xpath("./a")
    assert anchor.text == "kept here"
    assert anchor.get("href").startswith("https://ci.example/")
    assert len(cells) == 2
    assert tags(found) == {"div", "table", "thead", "tbody", "tr", "th", "td", "a"}


@pytest.mark.parametrize("address", ["javascript:alert(1)", "ftp://x", "", "//x"])
def test_other_addresses_are_no_links(address: str) -> None:
    assert tags(root(f"- {link('here', address)}\n")) == {"div", "ul", "li"}
