"""JUnit XML against both common schemas (restated in schemas/; reference rows J1 to J14)."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree

from hil.core.record import UNSAFE, Entry, ItemResult, ItemStart, Note, RunStart
from hil.core.verdict import Verdict
from hil.report.junit import LONGEST_OUTPUT, junit_xml
from hil.store.reading import RunRecord, read

SCHEMAS = Path(__file__).parent / "schemas"
#: J14, V-C: the smallest document that both schemas accept.
SMALLEST = (
    '<testsuite name="s" timestamp="2026-01-01T00:00:00" hostname="h" tests="1" failures="1" '
    'errors="0" time="1.5"><properties><property name="k" value="v"/></properties>'
    '<testcase name="t" classname="c" time="1.5"><failure type="AssertionError" message="m">x'
    "</failure></testcase><system-out/><system-err/></testsuite>"
)


@pytest.fixture(scope="module", params=["ant", "xunit"])
def schema(request: pytest.FixtureRequest) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(SCHEMAS / f"{request.param}.xsd"))


@pytest.fixture(scope="module")
def both() -> list[etree.XMLSchema]:
    return [etree.XMLSchema(etree.parse(SCHEMAS / f"{name}.xsd")) for name in ("ant", "xunit")]


def _record(*entries: Entry) -> RunRecord:
    start = entries[0]
    assert isinstance(start, RunStart)
    return RunRecord(Path("r"), start, entries)


def _cases(record: RunRecord) -> dict[str, etree._Element]:
    root = etree.fromstring(junit_xml(record))
    return {case.get("name"): case for case in root.iter("testcase")}


def test_the_smallest_document_is_accepted(schema: etree.XMLSchema) -> None:
    schema.assertValid(etree.fromstring(SMALLEST))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('timestamp="2026-01-01T00:00:00"', 'timestamp="2026-01-01T00:00:00Z"'),
        ('timestamp="2026-01-01T00:00:00"', 'timestamp="2026-01-01T00:00:00.5"'),
        (' hostname="h"', ""),
        (' time="1.5">', ">"),
        ('type="AssertionError" ', ""),
        ("</failure>", '</failure><error type="x"/>'),
        ("<system-out/><system-err/>", "<system-err/><system-out/>"),
        ("<system-err/>", ""),
        ('errors="0"', 'errors="0" disabled="0"'),
    ],
)
def test_the_ant_rules_refuse_what_they_should(
    both: list[etree.XMLSchema], old: str, new: str
) -> None:
    assert old in SMALLEST
    assert not both[0].validate(etree.fromstring(SMALLEST.replace(old, new, 1)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (' failures="1"', ""),
        (' name="t"', ""),
        ('errors="0"', 'errors="0" disabled="0"'),
        ("<failure", "<surprise/><failure"),
        ('time="1.5"><properties>', 'time="soon"><properties>'),
    ],
)
def test_the_xunit_rules_refuse_what_they_should(
    both: list[etree.XMLSchema], old: str, new: str
) -> None:
    assert old in SMALLEST
    assert not both[1].validate(etree.fromstring(SMALLEST.replace(old, new, 1)))


def test_a_run_with_everything_is_valid(full_run: Path, schema: etree.XMLSchema) -> None:
    schema.assertValid(etree.fromstring(junit_xml(read(full_run))))


def test_a_bench_that_is_not_safe_is_an_error_output_of_the_run(
    full_run: Path, schema: etree.XMLSchema
) -> None:
    record = read(full_run)
    note = Note(utc=record.start.utc, text="the brake may\nstill be on: \x00", level=UNSAFE)
    root = etree.fromstring(junit_xml(replace(record, entries=(*record.entries, note))))
    schema.assertValid(root)
    said = "CHECK THE BENCH: the brake may still be on:"
    assert root.findtext("system-err") == said
    assert root.findtext("system-out").splitlines()[0] == said
    assert not etree.fromstring(junit_xml(record)).findtext("system-err")


def test_a_run_without_items_is_valid(start_entry: RunStart, schema: etree.XMLSchema) -> None:
    bare = replace(start_entry, items=(), rig="", host={})
    root = etree.fromstring(junit_xml(_record(bare)))
    schema.assertValid(root)
    assert root.get("hostname") == "localhost"
    assert (root.get("tests"), root.get("time")) == ("0", "0.000")


text = st.text(st.characters(codec=None), max_size=20)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(item=text, words=text, verdict=st.sampled_from(Verdict), machine=text)
def test_any_text_gives_a_valid_document(
    start_entry: RunStart,
    make_result: Callable[..., ItemResult],
    both: list[etree.XMLSchema],
    item: str,
    words: str,
    verdict: Verdict,
    machine: str,
) -> None:
    start = replace(start_entry, rig=words, bench=words, host={"machine": machine}, items=(words,))
    result = replace(
        make_result("start", verdict), item=item, reason=words, plan=words, scenario=words
    )
    content = junit_xml(_record(start, result, replace(result, item=item + "\x00")))
    for one in both:
        one.assertValid(etree.fromstring(content))


def test_only_a_fail_is_a_failure(full_run: Path) -> None:
    cases = _cases(read(full_run))
    found = {
        name: [(child.tag, child.get("type")) for child in case] for name, case in cases.items()
    }
    assert found == {
        "start-cw-hall": [("failure", "Fail")],
        "start-cw-many": [("failure", "Fail")],
        "stall-locked": [("error", "BenchFault")],
        "reversal-2000": [],
        "speed-step-up": [("error", "Undecided")],
        "start-weird": [("failure", "Fail")],
        "start-lost": [("error", "Interrupted")],
        "start-never": [("skipped", "skipped")],
    }


def test_the_counts_are_those_of_the_cases(full_run: Path) -> None:
    root = etree.fromstring(junit_xml(read(full_run)))
    for attribute, tag in (
        ("tests", "testcase"),
        ("failures", "failure"),
        ("errors", "error"),
        ("skipped", "skipped"),
    ):
        assert int(root.get(attribute)) == len(list(root.iter(tag)))
    assert float(root.get("time")) == pytest.approx(18.0)


def test_the_message_is_one_line_that_begins_with_the_verdict(full_run: Path) -> None:
    cases = _cases(read(full_run))
    assert cases["stall-locked"][0].get("message") == ("bench-fault: supply unreachable: timeout")
    for case in cases.values():
        for child in case:
            assert "\n" not in child.get("message")
            assert len(child.get("message")) <= 500


def test_the_text_of_a_failure_lists_conditions_and_judgements(full_run: Path) -> None:
    said = _cases(read(full_run))["start-cw-hall"][0].text
    assert "sensing: hall" in said
    assert "fail: peak-current 3.7123 against at most 3.5 A (repeat 1)" in said


def test_the_time_stamp_has_neither_zone_nor_fraction(full_run: Path) -> None:
    root = etree.fromstring(junit_xml(read(full_run)))
    assert root.get("timestamp") == "2026-03-01T22:15:09"


def test_simulated_evidence_is_stamped(full_run: Path, start_entry: RunStart) -> None:
    simulated = junit_xml(read(full_run))
    assert b'name="evidence" value="SIMULATED"' in simulated
    assert b"<system-out>SIMULATED: no motor turned." in simulated
    real = junit_xml(_record(replace(start_entry, simulated=False)))
    assert b"SIMULATED" not in real
    assert b'name="evidence" value="bench"' in real


def test_items_run_twice_are_kept_apart(
    start_entry: RunStart, make_result: Callable[..., ItemResult]
) -> None:
    first, second = make_result("a", Verdict.FAIL), make_result("a", Verdict.PASS)
    cases = _cases(_record(replace(start_entry, items=("a",)), first, second))
    assert list(cases) == ["a", "a (attempt 2)"]
    assert cases["a"][0].tag == "failure"


def test_names_that_differ_only_in_what_xml_cannot_hold_stay_apart(
    start_entry: RunStart,
) -> None:
    starts = [
        ItemStart(item=i, utc="u", position=1, of=1) for i in ("a", "a\x00", "a\x01", "", " ")
    ]
    names = list(_cases(_record(replace(start_entry, items=()), *starts)))
    assert names == ["a", "a (2)", "a (3)", "item", "item (2)"]


def test_control_characters_are_gone_and_markup_is_text(full_run: Path) -> None:
    content = junit_xml(read(full_run)).decode()
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f]", content)
    assert "<script>" not in content
    said = _cases(read(full_run))["start-weird"][0].get("message")
    assert said.startswith('fail: plan "of" <script>alert(1)</script> & ]]> [31m Ω — 漢字')


def test_long_output_is_capped_and_says_so(
    start_entry: RunStart, make_result: Callable[..., ItemResult]
) -> None:
    results = [
        make_result(f"a{n}", Verdict.FAIL, reason="µ" * 40_000, steps=("x",) * 9) for n in range(3)
    ]
    root = etree.fromstring(junit_xml(_record(replace(start_entry, items=()), *results)))
    texts = [root.find("system-out").text, *(case[0].text for case in root.iter("testcase"))]
    for said in texts:
        assert len(said.encode()) <= LONGEST_OUTPUT
        assert said.endswith("[cut: the whole text is in record.jsonl and report.html]")


def test_equal_records_give_equal_bytes(full_run: Path) -> None:
    assert junit_xml(read(full_run)) == junit_xml(read(full_run))
