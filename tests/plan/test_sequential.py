"""The plan key for series that stop once they have decided."""

from pathlib import Path

import pytest

from hil.core.errors import PlanError
from hil.plan.expand import expand
from hil.plan.load import load_plan, load_rig

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
HEAD = "format: 1\nplan: p\nscenarios:\n  - id: s\n    scenario: start\n    speed: 900 rpm\n"


def items(tmp_path: Path, rest: str):
    path = tmp_path / "p.plan.yaml"
    path.write_text(HEAD + rest, encoding="utf-8")
    return expand(load_plan(path), load_rig(RIG), {"start": {"success": "1"}})


def test_a_series_replaces_the_repeats(tmp_path: Path) -> None:
    (item,) = items(tmp_path, "    success: {sequential: {good: 1 %, bad: 5 %}}\n")
    assert item.series is not None
    assert item.success is None
    assert item.repeats == item.series.most > item.series.fixed.trials
    assert item.describe()["repeats"] == f"until decided, at most {item.repeats}"
    assert item.series.fixed.trials == 181  # as `smallest_plan`, by exact binomial sums


@pytest.mark.parametrize(
    ("rest", "told"),
    [
        ("    success: {at-least: 90 %, sequential: {good: 1 %, bad: 5 %}}\n", "one of at-least"),
        ("    success: {confidence: 90 %}\n", "one of at-least, sequential"),
        ("    success: {sequential: {good: 5 %, bad: 1 %}}\n", "found good 5 %, bad 1 %"),
        ("    success: {sequential: {good: 1 %}}\n", "bad"),
        ("    success: {sequential: {good: 1 %, bad: 5 %, gamma: 2 %}}\n", "gamma"),
        (
            "    success: {sequential: {good: 1 %, bad: 5 %}}\n    matrix: {repeats: 20}\n",
            "leave repeats out",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_line(tmp_path: Path, rest: str, told: str) -> None:
    with pytest.raises(PlanError, match=r"p\.plan\.yaml:7") as caught:
        items(tmp_path, rest)
    assert told in str(caught.value)


@pytest.mark.parametrize("key", ["sequential: {good: 1 %, bad: 5 %}", "at-least: 97 %"])
def test_what_judges_all_repetitions_is_told_where_it_stands(tmp_path: Path, key: str) -> None:
    with pytest.raises(PlanError) as refused:
        items(tmp_path, f"    bands: {{success: {{{key}}}}}\n")
    said = str(refused.value)
    name = key.partition(":")[0]
    assert f"scenarios[s].bands.success: {name} judges all repetitions together" in said
    assert f"beside 'bands', not under it: 'success: {{{name}: ...}}'" in said
    assert "unknown key" not in said


def test_the_example_of_the_readme_is_a_plan(tmp_path: Path) -> None:
    text = (RIG.parents[2] / "README.md").read_text(encoding="utf-8")
    example = text.partition("  - id: start-series\n")
    path = tmp_path / "p.plan.yaml"
    path.write_text("format: 1\nplan: p\nscenarios:\n" + example[1] + example[2].split("```")[0])
    units = {"start": {"success": "1", "peak-current": "A"}}
    assert [item.series is not None for item in expand(load_plan(path), load_rig(RIG), units)] == [
        True, True
    ]  # fmt: skip
