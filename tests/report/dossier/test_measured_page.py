"""What was measured against the release before: page, data and terminal of a whole dossier."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from lxml import html

from hil.core.band import Band
from hil.core.measure import Measure
from hil.core.verdict import Judgement, Verdict
from hil.report.dossier.told import lines

TEXT = "  - {id: R-1, text: It starts., evidence: simulated-is-enough}\n"
LIMIT = 2.0


def speed(value: float, repeat: int = 1) -> Judgement:
    """A time to speed of ± 0.02 s, at most 2 s."""
    band, number = (
        Band("time-to-speed", None, LIMIT, "s"),
        Measure("time-to-speed", "s", value, 0.01),
    )
    return Judgement(band, number, Verdict.PASS, "in band", margin=LIMIT - value, repeat=repeat)


#: Item -> its time to speed in the release before, and now; twice each, but for one item.
THEN_AND_NOW = {
    "same": (1.0, 1.0),
    "slower": (1.0, 1.2),
    "chance": (1.0, 1.01),
    "faster": (1.2, 1.0),
    "narrow": (1.9, 1.9),
    "once": (1.0, 1.2),
}


def released(lab, name: str, values: dict[str, float], **more):
    previous = more.pop("previous", None)
    items = [
        lab.item(item, *(speed(value, n) for n in ((1,) if item == "once" else (1, 2))),
                 marks=["R-1"])
        for item, value in values.items()
    ]  # fmt: skip
    return lab.dossier(lab.requirements(TEXT), lab.run(name, *items, **more), previous=previous)


def held(lab, **more):
    """The release and its folder, held against the one before."""
    before = {item: then for item, (then, _) in THEN_AND_NOW.items()}
    _, former = released(lab, "before", before)
    after = {item: now for item, (_, now) in THEN_AND_NOW.items()}
    return released(lab, "after", after, previous=former, **more)


def tables(out: Path) -> list[list[list[str]]]:
    """Cells of the tables of measures, in words."""
    root = html.fromstring((out / "dossier.html").read_text())
    return [
        [
            [" ".join(cell.text_content().split()) for cell in row]
            for row in table.xpath(".//tbody/tr")
        ]
        for table in root.xpath("//table[contains(@class, 'measured')]")
    ]


def text(out: Path) -> str:
    root = html.fromstring((out / "dossier.html").read_text())
    (section,) = root.xpath("//section[@aria-labelledby='measured']")
    return " ".join(section.text_content().split())


def test_what_calls_for_a_look_stands_open_and_the_rest_is_folded(lab) -> None:
    _, out = held(lab)
    open_one, folded = tables(out)
    assert open_one == [
        [
            "slower time-to-speed", "1.000 ± 0.020 s (mean of 2)", "1.200 ± 0.020 s (mean of 2)",
            "+0.200 ± 0.028 s", "beyond its uncertainty, towards its limit",
            "+0.800 s, 40 % of the span (at most 2 s)", "nearer to its limit",
        ],
        [
            "narrow time-to-speed", "1.900 ± 0.020 s (mean of 2)", "1.900 ± 0.020 s (mean of 2)",
            "0.000 ± 0.028 s", "the same", "+0.100 s, 5.00 % of the span (at most 2 s)",
            "little left",
        ],
    ]  # fmt: skip
    assert [row[0].split()[0] for row in folded] == ["faster", "once", "chance", "same"]
    assert [row[-1] for row in folded] == ["\u2013"] * 4
    said = "towards its limit; not decidable from one start, whose scatter nobody knows"
    assert folded[1][4] == said
    root = html.fromstring((out / "dossier.html").read_text())
    (fold,) = root.xpath("//section[@aria-labelledby='measured']//details")
    assert "open" not in fold.attrib
    assert "The other 4 judged measures are not printed" in text(out)
    assert "common practice, no source" in text(out)


SUMMARY = (
    "1 of 6 measures moved towards its limits by more than its uncertainty, 1 has less than 20 % "
    "of its band left; 1 differs by more than is known of one start: not decidable from it"
)


def test_one_line_in_the_terminal_and_on_the_page(lab) -> None:
    release, out = held(lab)
    said = " ".join(" ".join(lines(release, out, "ab")).split())
    assert f"measured {SUMMARY} dossier:" in said
    assert SUMMARY in text(out)


def test_the_numbers_are_in_the_data(lab) -> None:
    _, out = held(lab)
    told = json.loads((out / "dossier.json").read_text())["measured"]
    assert (told["compared"], told["towards-beyond-uncertainty"]) == (6, 1)
    first = told["measures"][0]
    assert first["item"] == "slower"
    assert first["difference"] == pytest.approx(0.2)
    assert first["uncertainty"] == pytest.approx(0.02 * 2**0.5)
    assert first["margin-percent-of-span"] == pytest.approx(40.0)


def test_simulated_against_bench_is_said_and_not_done(lab) -> None:
    release, out = held(lab, simulated=True)
    said = "from the bench in the release before, and simulated now: never compared"
    assert f"6 measures: {said}." in text(out)
    (narrow,), _ = tables(out)
    assert narrow[0] == "narrow time-to-speed (SIMULATED)"
    assert narrow[4] == said
    assert "0 of 0 measures" in " ".join(lines(release, out, "ab"))
    told = json.loads((out / "dossier.json").read_text())["measured"]
    assert told["never-compared"] == 6
    assert {one["difference"] for one in told["measures"]} == {None}


def test_runs_in_doubt_on_either_side_are_named(lab) -> None:
    _, former = released(lab, "before", {"x": 1.0}, due={"supply": ""})
    _, out = released(lab, "after", {"x": 1.0}, previous=former)
    assert "In doubt are the numbers of the release before from before." in text(out)
    assert "of now" not in text(out)


def test_without_a_release_before_only_little_margins_are_listed(lab) -> None:
    _, out = released(lab, "alone", {"narrow": 1.9, "wide": 1.0})
    assert "No earlier release was named" in text(out)
    ((narrow,),) = tables(out)
    assert narrow[4] == "no earlier release was named"
    assert narrow[1] == "\u2013"
