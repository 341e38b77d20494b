"""Which definitions a report tells: of what was judged, each once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from lxml import html

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.record import ItemResult
from hil.core.verdict import Judgement, Verdict
from hil.measures.catalogue import definitions
from hil.report.defined import defined
from hil.report.page import page
from hil.store.reading import read


def judged(result: ItemResult, scenario: str, *names: str) -> ItemResult:
    measures = [Measure(name, "1", 1.0) for name in names]
    judgements = [
        Judgement(Band(one.name, 1.0, 1.0, "1"), one, Verdict.PASS, "", None, None, 1)
        for one in measures
    ]
    return replace(
        result, scenario=scenario, measures=tuple(measures), judgements=tuple(judgements)
    )


def test_what_was_judged_is_defined_once_and_by_kind_where_kinds_differ(
    make_result: Callable[..., ItemResult],
) -> None:
    any_one = make_result("a", Verdict.PASS)
    found = defined(
        [
            judged(any_one, "start", "peak-current", "telemetry-loss"),
            judged(any_one, "start", "peak-current"),
            judged(any_one, "stall", "telemetry-loss", "peak-current"),
            judged(any_one, "script", "peak-current"),
            judged(any_one, "steps", "success-rate"),
        ]
    )
    assert [(one.definition.name, one.kinds) for one in found] == [
        ("peak-current", ("start",)),
        ("peak-current", ("stall",)),
        ("telemetry-loss", ("start", "stall")),
    ]
    assert found[1].definition is definitions("stall")["peak-current"]


def test_nothing_judged_is_nothing_defined(make_result: Callable[..., ItemResult]) -> None:
    assert defined([]) == ()
    assert defined([replace(make_result("a", Verdict.PASS), judgements=())]) == ()


def test_the_page_has_the_words_and_the_source(full_run) -> None:
    record = read(full_run)
    tree = html.document_fromstring(page(record))
    told = tree.get_element_by_id("definitions").getparent()
    terms = [" ".join(term.text_content().split()) for term in told.iter("dt")]
    found = defined(record.results)
    assert terms == [f"{one.definition.name} {', '.join(one.kinds)}" for one in found]
    assert found
    words = " ".join(told.text_content().split())
    for one in found:
        assert one.definition.text in words
        assert one.definition.source in words
