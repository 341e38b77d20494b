"""The state of a search on disk: what was written stands, whatever happens in the middle."""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.core.errors import BenchError, PlanError
from hil.scenarios.bisect_journal import Event, Journal

QUESTION = {"good": "a", "bad": "b", "risk": 0.05, "command": ("make", "x")}
EVENTS = st.lists(
    st.builds(
        Event,
        build=st.integers(0, 500),
        values=st.lists(
            st.none() | st.floats(allow_nan=False, allow_infinity=False), max_size=3
        ).map(tuple),
        skipped=st.text(max_size=20),
        detail=st.text(max_size=20),
    ),
    max_size=6,
)
ONE_FOLDER = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@ONE_FOLDER
@given(events=EVENTS, cut=st.integers(0, 4000))
def test_cut_anywhere_what_stands_before_is_read(tmp_path, events, cut) -> None:
    path = tmp_path / "state.jsonl"
    path.unlink(missing_ok=True)
    with Journal(path, QUESTION) as journal:
        for event in events:
            journal.add(event)
    content = path.read_bytes()
    cut = min(cut, len(content))
    path.write_bytes(content[:cut])
    whole = content[:cut].count(b"\n")
    with Journal(path, QUESTION) as journal:
        assert journal.events == events[: max(0, whole - 1)]
        journal.add(Event(7, (1.0,)))
    with Journal(path, QUESTION) as journal:
        assert journal.events == [*events[: max(0, whole - 1)], Event(7, (1.0,))]


def test_another_question_is_another_search(tmp_path) -> None:
    path = tmp_path / "state.jsonl"
    Journal(path, QUESTION).__exit__()
    with pytest.raises(PlanError, match=r"with risk 0.05, not 0.1: name another --work folder"):
        Journal(path, {**QUESTION, "risk": 0.1})
    with pytest.raises(PlanError, match="with new None, not 1"):
        Journal(path, {**QUESTION, "new": 1})
    with Journal(path, QUESTION) as journal:
        assert journal.events == []


def test_two_searches_do_not_write_into_one(tmp_path) -> None:
    path = tmp_path / "state.jsonl"
    with (
        Journal(path, QUESTION),
        pytest.raises(BenchError, match="another search is going on here"),
    ):
        Journal(path, QUESTION)
    Journal(path, QUESTION).__exit__()


@pytest.mark.parametrize("line", ["no json", '{"a": 1}', "[]", '{"build": 1, "colour": 2}'])
def test_a_file_that_is_something_else_is_refused(tmp_path, line) -> None:
    path = tmp_path / "state.jsonl"
    Journal(path, QUESTION).__exit__()
    with path.open("a") as file:
        file.write(line + "\n")
    with pytest.raises(PlanError, match="is no state of a search"):
        Journal(path, QUESTION)


def test_a_run_without_a_value_is_not_a_number() -> None:
    one, two = Event(1, (None, 2.0)).numbers
    assert one != one  # noqa: PLR0124 - only NaN does that
    assert two == 2.0


def test_what_is_kept_is_plain_json(tmp_path) -> None:
    path = tmp_path / "deep" / "state.jsonl"
    with Journal(path, QUESTION) as journal:
        journal.add(Event(3, (None, 1.5), folder="runs/x"))
    first, second = map(json.loads, path.read_text().splitlines())
    assert first["question"]["command"] == ["make", "x"]
    assert second["values"] == [None, 1.5]
