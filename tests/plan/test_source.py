"""Positions, problems and the words for what was found."""

from datetime import date

import pytest

from hil.plan.source import Position, Problem, Source, describe, refuse, tidy


def test_all_problems_in_file_order():
    late, early = Position("f", 9, 1), Position("f", 2, 3)
    error = refuse([Problem(late, "b"), Problem(early, "a"), Problem(late, "b")])
    assert str(error) == "f:2:3: a\nf:9:1: b"
    assert (error.line, error.column) == (2, 3)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "nothing"),
        (True, "true"),
        (False, "false"),
        ("x", "'x'"),
        ("y" * 70, repr("y" * 57 + "...")),
        (3, "the number 3"),
        (date(2027, 1, 2), "the date 2027-01-02"),
        ([], "a list"),
        ({}, "keys and values"),
    ],
    ids=str,
)
def test_describe(value, text):
    assert describe(value) == text


def test_nearest_place_that_stands_in_the_file():
    top, key, value = Position("f", 1, 1), Position("f", 2, 1), Position("f", 2, 4)
    source = Source("f", (), {"a": 1}, {("a",): key}, {(): top, ("a",): value})
    assert source.position(("a",)) == value
    assert source.position(("a",), key=True) == key
    assert source.position(("a", "b", 0)) == key
    assert source.position(("b",)) == top
    assert source.problem(("a",), "wrong") == Problem(value, "wrong")


def test_a_position_reads_like_a_compiler_message():
    assert str(Position("rigs/a.yaml", 12, 7)) == "rigs/a.yaml:12:7"


ENTRIES = {
    "scenarios": [{"id": "one"}, {"id": "two"}, {"id": "a\nb"}, {"id": 7}, "none", {}],
    "n": 1,
}


@pytest.mark.parametrize(
    ("where", "text", "told"),
    [
        (("scenarios", 1, "speed"), "scenarios[2].speed: no", "scenarios[two].speed: no"),
        (("scenarios", 1), "scenarios[2] (start): no", "scenarios[two] (start): no"),
        (("scenarios", 1, "id"), "scenarios[2].id: no", "scenarios[2].id: no"),
        (("scenarios", 2, "speed"), "scenarios[3].speed: no", "scenarios[3].speed: no"),
        (("scenarios", 3, "speed"), "scenarios[4].speed: no", "scenarios[4].speed: no"),
        (("scenarios", 4), "scenarios[5]: no", "scenarios[5]: no"),
        (("scenarios", 5, "id"), "scenarios[6].id is missing", "scenarios[6].id is missing"),
        (("scenarios", 9), "scenarios[10]: no", "scenarios[10]: no"),
        (("scenarios",), "scenarios: no", "scenarios: no"),
        (("n", 0), "n: no", "n: no"),
        ((), "no", "no"),
    ],
)
def test_an_entry_that_has_an_id_is_told_by_it(where, text, told):
    source = Source("f", (), ENTRIES, {}, {(): Position("f", 1, 1)})
    assert source.problem(where, text).text == told


def test_a_path_is_told_without_detours(tmp_path):
    (tmp_path / "pump").mkdir()
    assert tidy(tmp_path / "pump" / ".." / "rigs" / "a.yaml") == tmp_path / "rigs" / "a.yaml"
    (tmp_path / "far" / "pump").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "far" / "pump")
    beyond = tmp_path / "link" / ".." / "a.yaml"  # far/a.yaml, and not a.yaml
    assert tidy(beyond) == beyond
