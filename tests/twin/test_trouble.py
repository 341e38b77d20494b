"""Schedules of troubles: read strictly, defaults filled in, names suggested."""

from __future__ import annotations

import math
import re

import pytest

from hil.core.roles import INSTRUMENTS
from hil.twin.trouble import KINDS, Trouble, parse, parse_schedule


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("board-silent@1.2", Trouble("board-silent", 1.2)),
        ("board-silent@1.2:0.5", Trouble("board-silent", 1.2, 0.5)),
        ("board-silent@1.2s:0.5 s", Trouble("board-silent", 1.2, 0.5)),
        ("board-corrupted@0::2.5", Trouble("board-corrupted", 0.0, math.inf, 2.5)),
        ("board-corrupted@0:1:2.5%", Trouble("board-corrupted", 0.0, 1.0, 2.5)),
        ("supply-offset@3::-0.5V", Trouble("supply-offset", 3.0, value=-0.5)),
        (" supply-error@3::-330 ", Trouble("supply-error", 3.0, value=-330.0)),
        ("supply-drops@3", Trouble("supply-drops", 3.0)),
        ("board-clock-drift@0::200 ppm", Trouble("board-clock-drift", 0.0, value=200.0)),
    ],
)
def test_texts(text: str, expected: Trouble) -> None:
    # values that are not taken stay at 0 and defaults are filled in, so that they compare equal
    assert parse(text) == expected


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("board-silent", "expected KIND@TIME"),
        ("board-silent@", "time must be a number in s, found ''"),
        ("board-silent@1:2:3:4", "expected KIND@TIME"),
        ("board-silnt@1", "did you mean 'board-silent'"),
        ("x@1", "known are board-"),
        ("board-silent@soon", "time must be a number in s, found 'soon'"),
        ("board-silent@nan", "time must be a number"),
        ("board-silent@-1", "at must be 0 s or later, found -1"),
        ("board-silent@1:-2", "duration must not be negative"),
        ("board-silent@1:0", "a duration of 0 s would do nothing"),
        ("board-silent@1::3", "board-silent takes no value"),
        ("board-dropped@1::101", "expected 0 to 100 %, found 101"),
        ("board-dropped@1::", "value must be a number in %"),
        ("board-dropped@1::2V", "value must be a number in %, found '2V'"),
        ("supply-drops@1:2", "happens in an instant"),
        ("supply-offset@1::inf", "value must be a number in V"),
        ("interlock-opens@1::9", "expected 1 to 8, found 9"),
        ("interlock-opens@1::1.5", "interlock-opens: expected a whole number, found 1.5"),
    ],
)
def test_texts_that_are_refused(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        parse(text)


def test_defaults_come_from_the_kind() -> None:
    assert parse("board-latency@0").value == KINDS["board-latency"].default > 0.0
    assert parse("board-reset@2").duration == 0.0
    assert parse("board-silent@2").end == math.inf


@pytest.mark.parametrize("role", INSTRUMENTS)
def test_every_role_has_the_same_troubles(role: str) -> None:
    for what in ("latency", "silent", "error", "refused", "lost"):
        assert f"{role}-{what}" in KINDS


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_told(kind: str) -> None:
    trouble = Trouble(kind, 1.5)
    assert str(trouble).startswith(kind)
    assert "at 1.5 s" in str(trouble)
    assert (KINDS[kind].unit.strip("1") in str(trouble)) or not KINDS[kind].unit


def test_a_document() -> None:
    found = parse_schedule(
        {
            "format": 1,
            "troubles": [
                {"kind": "board-late", "at": 1, "duration": 0.2},
                {"kind": "supply-offset", "at": 2.0, "value": 1},
            ],
        }
    )
    assert found == (Trouble("board-late", 1.0, 0.2), Trouble("supply-offset", 2.0, value=1.0))


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ([], "expected a mapping"),
        ({"troubles": [{"kind": "board-late", "at": 1}]}, "format: expected 1, found None"),
        ({"format": 2, "troubles": []}, "format: expected 1, found 2"),
        ({"format": 1, "troubles": []}, "troubles: expected a list"),
        ({"format": 1, "trouble": []}, "unknown key 'trouble'; did you mean 'troubles'?"),
        ({"format": 1, "troubles": ["board-late@1"]}, "troubles[1]: expected a mapping"),
        ({"format": 1, "troubles": [{"kind": "board-late"}]}, "troubles[1]: at is missing"),
        ({"format": 1, "troubles": [{"at": 1}]}, "troubles[1]: kind is missing"),
        (
            {"format": 1, "troubles": [{"kind": "board-late", "at": 1, "durtion": 1}]},
            "did you mean 'duration'?",
        ),
        (
            {"format": 1, "troubles": [{"kind": "board-late", "at": "1 s"}]},
            "at must be a number, found '1 s'",
        ),
        (
            {"format": 1, "troubles": [{"kind": "board-late", "at": True}]},
            "at must be a number, found True",
        ),
        (
            {"format": 1, "troubles": [{"kind": "board-late", "at": math.nan}]},
            "found NaN",
        ),
        (
            {"format": 1, "troubles": [{"kind": "brake-slent", "at": 1}]},
            "troubles[1]: unknown kind of trouble 'brake-slent'; did you mean 'brake-silent'?",
        ),
    ],
)
def test_documents_that_are_refused(document: object, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        parse_schedule(document)
