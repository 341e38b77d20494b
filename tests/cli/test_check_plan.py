"""``hil check PLAN``: what is said of a plan, without a bench."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from hil.cli.check import check
from hil.core.errors import PlanError

PLANS = Path(__file__).parents[2] / "testplans"
RIG = PLANS / "rigs" / "dosing-pump.yaml"


def run(*args: object) -> Result:
    return CliRunner().invoke(check, [str(arg) for arg in args])


def bare_rig(folder: Path) -> Path:
    file = folder / "bare.yaml"
    nothing = "".join(
        f"{part}: null\n" for part in ("brake", "switch", "tachometer", "thermometer")
    )
    file.write_text(f"based-on: {RIG}\nrig: bare\n{nothing}board: {{sensing: [hall]}}\n")
    return file


def test_a_plan_says_its_items_and_its_time_and_asks_no_bench() -> None:
    result = run(PLANS / "smoke.plan.yaml")
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert said.startswith("OK plan smoke: 6 items of 5 scenarios on rig dosing-pump, ")
    assert "OK duration at least 0:00:" in said
    assert "CAUTION" not in said


def test_what_would_not_run_is_said_with_its_reason(tmp_path: Path) -> None:
    rig, facts = bare_rig(tmp_path), tmp_path / "facts.json"
    result = run(PLANS / "nightly.plan.yaml", "--rig", rig, "--json", facts)
    assert result.exit_code == 0, result.output
    found: dict[str, list[str]] = {}
    for fact in json.loads(facts.read_text(encoding="utf-8")):
        found.setdefault(fact["what"], []).append(fact["detail"])
    assert found["left out"][0].startswith("rig bare has no sensing back-emf")
    assert found["not run"][0].startswith("no brake wired on rig bare: items that need one")
    assert found["not run"][1].startswith("no signal switch wired on rig bare: ")
    assert "take a person at the shaft (--hil-attended=on)" in found["attended"][0]
    assert any(
        text.startswith("the rig has no tachometer: no speed-disagreement; ")
        for text in found["not judged"]
    )
    assert "no word" not in found
    assert max(map(len, result.output.splitlines())) <= 80


def test_faults_that_the_board_cannot_name_are_told(tmp_path: Path) -> None:
    profile = PLANS / "profiles" / "examples" / "slip.profile.yaml"
    (tmp_path / "few.yaml").write_text(
        f"based-on: {RIG}\nrig: few\nboard: {{profile: {profile}}}\n"
    )
    said = " ".join(run(PLANS / "nightly.plan.yaml", "--rig", tmp_path / "few.yaml").output.split())
    assert "WARNING no word link profile slip of rig few has no fault under-voltage, for wh" in said


def test_a_plan_that_is_wrong_is_refused_as_by_collection(tmp_path: Path) -> None:
    file = tmp_path / "p.plan.yaml"
    file.write_text(
        f"format: 1\nplan: p\nrig: {RIG}\nscenarios:\n"
        "  - {id: s, scenario: start, speed: 90000 rpm, bands: {overshot: {max: 1 %}}}\n"
    )
    result = run(file)
    assert isinstance(result.exception, PlanError)
    lines = str(result.exception).splitlines()
    assert [line.partition(": ")[0] for line in lines] == [f"{file}:5:37", f"{file}:5:56"]
    assert "90000 rpm lies outside min-speed" in lines[0]
    assert "did you mean 'overshoot'?" in lines[1]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["smoke.plan.yaml", "--twin"], "go with a rig file"),
        (["smoke.plan.yaml", "--energise"], "go with a rig file"),
        (["smoke.plan.yaml", "--board=loop://"], "go with a rig file"),
        (["rigs/dosing-pump.yaml", "--rig=RIG"], "--rig goes with a plan"),
    ],
)
def test_options_of_the_other_kind_of_file_are_refused(args: list[str], says: str) -> None:
    file, *options = args
    result = run(PLANS / file, *(option.replace("RIG", str(RIG)) for option in options))
    assert result.exit_code == 2
    assert says in " ".join(result.output.split())


def test_one_item_that_takes_a_person_is_told_in_the_singular(tmp_path: Path) -> None:
    rig, facts = bare_rig(tmp_path), tmp_path / "facts.json"
    plan = tmp_path / "one.plan.yaml"
    plan.write_text(
        "format: 1\nplan: one\nscenarios:\n  - {id: stall, scenario: stall, speed: 1000 rpm, "
        "brake-torque: 1 N*m, expect: trip, bands: {tripped: {exactly: 1}}}\n"
    )
    result = run(plan, "--rig", rig, "--json", facts)
    assert result.exit_code == 0, result.output
    (said,) = [f["detail"] for f in json.loads(facts.read_text()) if f["what"] == "attended"]
    assert said.endswith("stall takes a person at the shaft (--hil-attended=on), or is not run")
