"""Items that need an instrument which is not wired, in whole sessions on the simulated bench."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import ruamel.yaml

from hil.core.verdict import Verdict

TESTPLANS = Path(__file__).parents[2] / "testplans"
RIG = TESTPLANS / "rigs" / "dosing-pump.yaml"

ITEMS = """
  - id: opened
    scenario: steps
    steps: [{start: 1000 rpm}, {open: hall-a}, {wait: 1 s}, {close: hall-a}]
    bands: {fault-count: {exactly: 1}}
  - id: loaded
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    matrix: {load: 20 mN*m}
    bands: {success: {exactly: 1}}
  - id: plain
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}}
"""


@pytest.fixture
def bare(lab) -> Path:
    """The shipped rig with neither brake nor switch."""
    yaml = ruamel.yaml.YAML()
    rig = yaml.load(RIG)
    del rig["brake"], rig["switch"]
    rig["rig"] = "bare"
    rig["board"]["profile"] = str(TESTPLANS / "profiles" / "dosing-lines.profile.yaml")
    file = lab.path / "bare.yaml"
    yaml.dump(rig, file)
    return file


def test_no_bench_is_opened_for_them_and_the_record_still_says_who_was_there(lab, bare) -> None:
    result = lab.run(lab.plan(ITEMS, rig=bare), "-rs")
    result.assert_outcomes(passed=1, skipped=2)
    assert result.ret == 0
    assert len(lab.worlds) == 1
    record = lab.record
    assert [(one.item, one.verdict) for one in record.results] == [
        ("opened", Verdict.NOT_RUN),
        ("loaded.20mnm", Verdict.NOT_RUN),
        ("plain", Verdict.PASS),
    ]
    assert [who.role for who in record.start.identities] == ["board", "supply", "tachometer"]
    assert record.start.simulated
    assert not record.interrupted
    assert not record.never_begun
    opened, loaded, _ = record.results
    assert opened.reason == "no signal switch wired on rig bare to open and close hall-a"
    assert loaded.reason.startswith("no brake wired on rig bare, and no person keeps to 0.02 N*m")
    for left in (opened, loaded):
        assert (left.steps, left.traces, left.judgements, left.duration) == ((), (), (), 0.0)
    result.stdout.fnmatch_lines(
        [
            "no brake wired on rig bare: items that need one are not run (1 of 3): loaded.20mnm",
            "no signal switch wired on rig bare: items that need one are not run (1 of 3): opened",
            "SIMULATED: 2 not-run, 1 pass",
            "not-run: no signal switch wired on rig bare to open and close hall-a: opened",
            "not-run: no brake wired on rig bare, and no person keeps to *: loaded.20mnm",
            "*not run: no signal switch wired on rig bare *",
        ]
    )


@pytest.mark.parametrize("order", [("plain", "opened"), ("opened", "plain")])
def test_they_stand_in_the_record_wherever_they_stand_in_the_plan(lab, bare, order) -> None:
    parts = {part.split("\n", 1)[0]: f"  - id: {part}" for part in ITEMS.split("  - id: ")[1:]}
    lab.run(lab.plan("".join(parts[name] for name in order), rig=bare))
    assert [one.item for one in lab.record.results] == list(order)
    assert lab.record.start.identities


def test_a_session_of_nothing_else_opens_no_bench_not_even_to_prove_it(lab, bare) -> None:
    plan = lab.plan(ITEMS, rig=bare)
    result = lab.run(plan, "-k", "opened or loaded", "--hil-preflight=on")
    result.assert_outcomes(skipped=2)
    assert lab.worlds == []
    assert {one.verdict for one in lab.record.results} == {Verdict.NOT_RUN}
    assert lab.record.end.reason == "completed"
    assert not any("preflight" in note.text for note in lab.record.notes)


def test_with_one_that_runs_the_bench_is_proven(lab, bare) -> None:
    lab.run(lab.plan(ITEMS, rig=bare), "--hil-preflight=on").assert_outcomes(passed=1, skipped=2)
    assert any("preflight" in note.text for note in lab.record.notes)


def test_they_are_left_out_of_what_an_interrupted_run_goes_on_with_for_the_same_reason(
    lab, bare
) -> None:
    def interrupt(_world) -> None:
        raise KeyboardInterrupt

    plan = lab.plan(ITEMS, rig=bare)
    lab.strike(0.5, interrupt)
    lab.run(plan)
    assert lab.record.results[-1].interrupted
    lab.strikes.clear()
    result = lab.run(plan, f"--hil-resume={lab.folders[-1]}")
    result.assert_outcomes(passed=1, skipped=2)
    found = {one.item: one.verdict for one in lab.record.results}
    assert found["plain"] is Verdict.PASS
    assert found["opened"] is Verdict.NOT_RUN


def test_without_a_tachometer_its_bands_are_not_judged_and_that_is_said_beforehand(
    lab, bare
) -> None:
    blind = lab.path / "blind.yaml"
    blind.write_text(f"based-on: {bare}\nrig: blind\ntachometer: null\n", encoding="utf-8")
    bands = "bands: {success: {exactly: 1}, speed-disagreement: {max: 3 %}}"
    plain = "".join(ITEMS.partition("  - id: plain")[1:])
    result = lab.run(lab.plan(plain.replace("bands: {success: {exactly: 1}}", bands), rig=blind))
    result.stdout.fnmatch_lines(
        ["the rig has no tachometer: no speed-disagreement; * (1 of 1): plain"]
    )
    (found,) = lab.record.results
    assert found.verdict is Verdict.NOT_RUN
    assert {(j.band.measure, j.verdict) for j in found.judgements} == {
        ("success", Verdict.PASS),
        ("speed-disagreement", Verdict.NOT_RUN),
    }
    assert "the rig has no tachometer" in found.reason


def test_items_for_a_sensing_that_the_rig_has_not_are_left_out_with_one_line(lab) -> None:
    poor = lab.path / "poor.yaml"
    poor.write_text(f"based-on: {RIG}\nrig: poor\nboard: {{sensing: [hall]}}\n", encoding="utf-8")
    plain = "".join(ITEMS.partition("  - id: plain")[1:])
    plan = lab.plan(f"{plain}    matrix: {{sensing: [hall, back-emf]}}\n", rig=poor)
    result = lab.run(plan)
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(
        ["rig poor has no sensing back-emf *: 1 of 2 items of plan t is left out: plain.back-emf"]
    )
    assert [one.item for one in lab.record.results] == ["plain.hall"]
    assert [note.text.split(" (")[0] for note in lab.record.notes] == [
        "rig poor has no sensing back-emf"
    ]


def test_items_that_expect_a_refusal_of_a_sensing_nobody_can_select_are_left_out_alike(lab) -> None:
    """A board that always senses one way has no such command: there is nothing to refuse."""
    profile = TESTPLANS / "profiles" / "dosing-lines.profile.yaml"
    fixed, count = re.subn(
        r"(?m)^  select-sensing:\n(    .*\n)+", "", profile.read_text(encoding="utf-8")
    )
    assert count == 1
    (lab.path / "fixed.profile.yaml").write_text(f"{fixed}\nsensing: hall\n", encoding="utf-8")
    fixed_rig = lab.path / "fixed.yaml"
    fixed_rig.write_text(
        f"based-on: {RIG}\nrig: fixed\nboard: {{sensing: [hall], profile: fixed.profile.yaml}}\n",
        encoding="utf-8",
    )
    plain = "".join(ITEMS.partition("  - id: plain")[1:])
    asks = """
  - id: asks
    scenario: steps
    steps: [{expect-refusal: {sensing: back-emf}}]
    bands: {fault-count: {exactly: 0}}
"""
    result = lab.run(lab.plan(f"{plain.rstrip()}{asks}", rig=fixed_rig))
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(
        ["link profile * of rig fixed has no command *: 1 of 2 items of plan t is left out: asks"]
    )
    assert [(one.item, one.verdict) for one in lab.record.results] == [("plain", Verdict.PASS)]
    (note,) = lab.record.notes
    assert note.text.endswith("1 of 2 items of plan t is left out: asks")
