"""Files that are read, checked and refused as a whole."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import PlanError
from hil.plan.checked import at_places, read_checked, refuse_if_any, repeated
from hil.plan.load import load_plan
from hil.plan.model import Model, Text
from hil.plan.source import Position, Problem, Source


class Part(Model):
    name: Text


class Parts(Model):
    parts: tuple[Part, ...] = ()


def named(file: str, found: dict[int, int]) -> Source:
    """A source whose list ``parts`` has entry n at line ``found[n]``."""
    values = {(): Position(file, 1, 1)}
    values |= {("parts", n, "name"): Position(file, line, 11) for n, line in found.items()}
    return Source(file, (), {}, {}, values)


def check(found: Parts, source: Source) -> Iterator[Problem]:
    yield from repeated(source, ("parts",), "name", [part.name for part in found.parts])
    yield from at_places(
        source,
        [(("parts", n, "name"), "too loud") for n, part in enumerate(found.parts)
         if part.name.isupper()],
    )  # fmt: skip


def test_a_file_without_a_problem_is_its_model(tmp_path: Path) -> None:
    path = tmp_path / "parts.yaml"
    path.write_text("parts:\n  - name: pump\n  - name: hose\n")
    assert read_checked(Parts, path, check) == Parts(parts=(Part(name="pump"), Part(name="hose")))
    assert read_checked(Parts, str(path), check).parts[1].name == "hose"


def test_all_problems_are_told_in_the_order_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "parts.yaml"
    path.write_text("parts:\n  - name: pump\n  - name: HOSE\n  - name: pump\n")
    with pytest.raises(PlanError) as caught:
        read_checked(Parts, path, check)
    assert str(caught.value) == (
        f"{path}:3:11: too loud\n{path}:4:11: parts[3].name: 'pump' stands already at line 2"
    )


def test_what_is_no_model_is_refused_before_it_is_checked(tmp_path: Path) -> None:
    path = tmp_path / "parts.yaml"
    path.write_text("parts:\n  - nmae: pump\n")

    def never(found: Parts, source: Source) -> Iterator[Problem]:
        raise AssertionError((found, source))

    with pytest.raises(PlanError, match=r"parts\.yaml:2:5: .*nmae"):
        read_checked(Parts, path, never)


def test_nothing_wrong_is_no_error() -> None:
    refuse_if_any([])
    refuse_if_any(problem for problem in ())


names = st.lists(st.none() | st.sampled_from("abc"), max_size=12)


@given(names)
def test_each_value_after_its_first_is_a_problem_that_names_the_first(
    values: list[str | None],
) -> None:
    source = named("f", {n: n + 2 for n in range(len(values))})
    found = list(repeated(source, ("parts",), "name", values))
    again = [n for n, value in enumerate(values) if value is not None and value in values[:n]]
    assert [problem.position.line for problem in found] == [n + 2 for n in again]
    for n, problem in zip(again, found, strict=True):
        first = values.index(values[n]) + 2
        assert problem.text.endswith(f"{values[n]!r} stands already at line {first}")
        assert problem.text.startswith(f"parts[{n + 1}].name")


def test_entries_on_one_line_are_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "t.plan.yaml"
    one = "{id: s, scenario: start, speed: 1000 rpm, bands: {success: {exactly: 1}}}"
    path.write_text(f"format: 1\nplan: t\nscenarios: [{one}, {one}]\n")
    with pytest.raises(PlanError, match=r"scenarios\[2\]\.id: 's' stands already at line 3"):
        load_plan(path)
