"""A part of the campaign of troubles: verdict, supply and record of whole plans; and its table."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ci.troubling import LETTERS, MOMENTS, ROWS, Cell, Row, cell, moments, table
from hil.core.verdict import Verdict

#: Each moment and each part of the bench is there, and each verdict.
CELLS = [
    ("board-latency 0.005", "run-up"),
    ("board-corrupted 20", "before output-on"),
    ("board-corrupted 0.05", "at speed"),
    ("board-silent", "output-on"),
    ("board-silent for 0.1 s", "at speed"),
    ("board-reset", "at speed"),
    ("board-unplugged", "stopping"),
    ("telemetry-frozen", "run-up"),
    ("supply-drops", "output-on"),
    ("supply-lost", "at speed"),
    ("supply-silent", "at speed"),  # it obeys, though it says nothing
    ("supply-refused", "before output-on"),
    ("tachometer-silent", "stopping"),
]


@pytest.mark.parametrize(("name", "moment"), CELLS)
def test_cells(name: str, moment: str) -> None:
    (row,) = (row for row in ROWS if row.name == name)
    found = cell(row, moment)
    assert found.correct, found
    if name == "telemetry-frozen":
        assert "the same frame again and again" in found.reason
    if name == "supply-lost":  # nobody can switch it off, which must be impossible to overlook
        assert found.unsafe_said
        assert found.link_said
    else:
        assert found.supply_off


def test_the_moments_follow_each_other() -> None:
    times = [moments()[name] for name in MOMENTS]
    assert times == sorted(times)
    assert times[1] - times[0] < 0.1, "the first two lie around the switching on"


def test_every_row_says_what_must_come_of_it_at_each_moment() -> None:
    assert len({row.name for row in ROWS}) * len(MOMENTS) >= 60
    for row in ROWS:
        assert len(row.expected) == len(MOMENTS)
        assert set(row.expected) <= set(LETTERS)
        row.trouble(1.0)
    assert Verdict.FAIL not in LETTERS.values(), "none of these is the firmware's doing"


RIGHT = Cell(
    trouble="board-late",
    moment="run-up",
    at=0.3,
    expected="pass",
    verdict="pass",
    reason="",
    rest="pass",
    supply_off=True,
    unsafe_said=False,
    link_said=False,
    record_whole=True,
    seconds=0.1,
)


@pytest.mark.parametrize(
    "changed",
    [
        {"verdict": "fail"},
        {"rest": "not-run"},
        {"supply_off": False},
        {"supply_off": False, "unsafe_said": True},
        {"supply_off": False, "link_said": True},
        {"record_whole": False},
    ],
)
def test_a_cell_that_is_wrong_in_any_way_is_not_correct(changed: dict[str, object]) -> None:
    assert RIGHT.correct
    wrong = replace(RIGHT, **changed)  # type: ignore[arg-type]
    assert not wrong.correct
    text = table([RIGHT, wrong])
    assert "1 of 2 cells correct" in text
    assert "NOT pass" in text


def test_a_wrong_expectation_is_found() -> None:
    assert not cell(Row("board-silent", "ppppp"), "at speed").correct
