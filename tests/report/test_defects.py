"""The matrix of seeded defects as text and as Markdown."""

from __future__ import annotations

from typing import Any

from hil.report.defects import markdown, text_table


def row(**changes: Any) -> dict[str, Any]:
    return {
        "defect": "stall-not-noticed",
        "consequence": "A blocked rotor is left alone.",
        "seeds": "fault_mask = 2",
        "item": "stall.hall.1000rpm",
        "measure": "trip-time-from-brake",
        "margin_text": "-0.06 s",
        "caught_by_items": 3,
        "items_run": 12,
        "seconds": 1.25,
        "chance_text": "",
        **changes,
    }


ESCAPED = {"item": "", "measure": "", "margin_text": "-", "caught_by_items": 0}


def test_columns_line_up() -> None:
    lines = text_table([row(), row(defect="a", **ESCAPED)])
    head, first, second = lines
    for column, found in (("caught by", "stall.hall.1000rpm"), ("margin", "-0.06 s")):
        assert head.index(column) == first.index(found)
    assert second.index("NOBODY") == head.index("caught by")
    assert first.endswith("1.2 s")
    assert all(line == line.rstrip() for line in lines)


def test_a_manoeuvre_that_ended_is_named_as_such() -> None:
    assert "manoeuvre" in text_table([row(measure="")])[1]
    assert "manoeuvre" not in text_table([row(**ESCAPED)])[1]


def test_a_page_says_what_can_be_seen_and_who_saw_it() -> None:
    page = markdown([row(), row(defect="b", **ESCAPED)], "Seeded defects", ["SIMULATED", "seed 1"])
    lines = page.splitlines()
    assert lines[0] == "# Seeded defects"
    assert lines[2:4] == ["- SIMULATED", "- seed 1"]
    assert lines[-2] == (
        "| `stall-not-noticed` | A blocked rotor is left alone. | `fault_mask = 2` | "
        "stall.hall.1000rpm | trip-time-from-brake | -0.06 s |"
    )
    assert "| NOBODY | - | - |" in lines[-1]
    assert {line.count("|") for line in lines[5:]} == {7}


def test_a_bar_in_a_text_does_not_break_the_table() -> None:
    page = markdown([row(consequence="a | b.", chance_text="(90 %)")], "t", [])
    assert "| a \\| b. (90 %) |" in page
