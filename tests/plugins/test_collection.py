"""Plans as pytest items: selection, order, and files that are wrong."""

import re
from pathlib import Path

import pytest

MATRIX = """
  - id: s
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    matrix: {sensing: [hall, back-emf], direction: [cw, ccw]}
    bands: {success: {exactly: 1}}
  - id: r
    scenario: reversal
    entry-speed: 1000 rpm
    speed: 1000 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}}
"""
IDS = ["s.hall.cw", "s.hall.ccw", "s.back-emf.cw", "s.back-emf.ccw", "r"]


def collected(result: pytest.RunResult) -> list[str]:
    return re.findall(r"::(\S+)", result.stdout.str())


def test_collecting_lists_ids_in_order_opens_nothing_and_makes_no_folder(lab) -> None:
    result = lab.run(lab.plan(MATRIX), "--collect-only", "-q")
    assert result.ret == 0
    assert collected(result) == IDS
    assert lab.worlds == []
    assert not (lab.path / "runs").exists()


@pytest.mark.parametrize(
    ("args", "ids"),
    [
        (["-k", "hall and not reversal"], IDS[:2]),
        (["-k", "ccw and not hall"], [IDS[3]]),
        (["-m", "reversal"], ["r"]),
        (["-m", "back_emf and cw"], ["s.back-emf.cw"]),
        (["-m", "hil and not start"], ["r"]),
        (["-m", "stall or speed_step or steps"], []),
    ],
)
def test_pytests_own_selection_works_on_items(lab, args: list[str], ids: list[str]) -> None:
    result = lab.run(lab.plan(MATRIX), "--collect-only", "-q", "--strict-markers", *args)
    assert collected(result) == ids
    assert result.ret == (0 if ids else pytest.ExitCode.NO_TESTS_COLLECTED)


def test_one_item_by_its_node_id(lab) -> None:
    lab.plan(MATRIX)
    assert collected(lab.run("t.plan.yaml::s.hall.ccw", "--collect-only", "-q")) == ["s.hall.ccw"]
    result = lab.run("t.plan.yaml::nothing")
    assert result.ret == pytest.ExitCode.USAGE_ERROR


def test_a_speed_that_its_supply_cannot_give_is_said_before_the_first_item(lab) -> None:
    plan = lab.plan(
        """
  - {id: s, scenario: start, speed: 4000 rpm, hold: 0.2 s, within: 1 s, matrix: {supply: [15 V]},
     bands: {success: {exactly: 1}}}
"""
    )
    result = lab.run(plan)
    told = "*t.plan.yaml:*: s.15v: 4000 rpm is out of reach at 15 V: *"
    result.stdout.fnmatch_lines(
        [told, "firmware or plan and rig file: success 0*; 4000 rpm is out of reach*"]
    )
    assert any("4000 rpm is out of reach" in note.text for note in lab.record.notes)


def test_plans_and_ordinary_tests_live_side_by_side(lab) -> None:
    lab.plan()
    lab.pytester.makepyfile(test_plain="def test_plain(): pass")
    result = lab.run("-q")
    result.assert_outcomes(passed=2)
    assert [r.item for r in lab.record.results] == ["s"]


def test_nothing_selected_opens_nothing(lab) -> None:
    result = lab.run(lab.plan(), "-k", "nothing_of_that_name")
    assert result.ret == pytest.ExitCode.NO_TESTS_COLLECTED
    assert not (lab.path / "runs").exists()


def test_the_copies_in_run_folders_are_not_collected(lab) -> None:
    lab.plan()
    assert lab.run().ret == 0
    assert (lab.folders[-1] / "inputs" / "t.plan.yaml").is_file()
    assert collected(lab.run("--collect-only", "-q")) == ["s"]


# -- files that are wrong -----------------------------------------------------------------


def refused(lab, result: pytest.RunResult, *, place: str, words: str) -> None:
    """A collection error in pytest's own shape: one line with the place, and no traceback."""
    text = result.stdout.str()
    assert result.ret == pytest.ExitCode.INTERRUPTED
    assert re.search(place, text), text
    assert words in text
    assert "Traceback" not in text
    assert "hil/" not in text.split("=== ERRORS")[-1].replace("testplans", "")
    assert lab.worlds == []
    assert not (lab.path / "runs").exists()


def test_an_unknown_key_of_a_plan(lab) -> None:
    name = lab.plan("  - id: s\n    scenario: start\n    sped: 1000 rpm\n")
    refused(lab, lab.run(name), place=r"t\.plan\.yaml:7:5: .*sped", words="speed")


def test_a_wrong_unit_in_a_plan(lab) -> None:
    name = lab.plan("  - id: s\n    scenario: start\n    speed: 1000 V\n")
    refused(lab, lab.run(name), place=r"t\.plan\.yaml:7:\d+: .*speed", words="rpm")


def test_an_unknown_measure(lab) -> None:
    name = lab.plan(
        "  - {id: s, scenario: start, speed: 1000 rpm, bands: {overshot: {max: 5 %}}}\n"
    )
    refused(lab, lab.run(name), place=r"t\.plan\.yaml:5:\d+: ", words="overshoot")


def test_an_id_twice_in_a_plan(lab) -> None:
    one = "  - {id: s, scenario: start, speed: 1000 rpm, bands: {success: {exactly: 1}}}\n"
    refused(lab, lab.run(lab.plan(one * 2)), place=r"t\.plan\.yaml:6:\d+: ", words="at line 5")


def test_text_that_is_no_yaml(lab) -> None:
    name = lab.plan("  - {id: s, scenario: [\n")
    refused(lab, lab.run(name), place=r"t\.plan\.yaml:\d+:\d+: ", words="t.plan.yaml")


def test_a_rig_that_is_not_there(lab) -> None:
    name = lab.plan(rig=lab.path / "nowhere.yaml")
    refused(lab, lab.run(name), place=r"t\.plan\.yaml:3:\d+: .*rig", words="nowhere.yaml")


def test_a_plan_without_a_rig(lab) -> None:
    name = lab.plan()
    file = lab.path / name
    file.write_text(re.sub(r"rig: .*\n", "", file.read_text()))
    refused(lab, lab.run(name), place=r"t\.plan\.yaml:1: ", words="--hil-rig")


def test_a_mistake_in_the_rig_file(lab) -> None:
    rig = lab.rig("motor: {pole-pares: 4}\n")
    refused(lab, lab.run(lab.plan(rig=rig)), place=r"changed\.yaml:3:\d+: ", words="pole-pairs")


def test_a_mistake_in_the_link_profile(lab) -> None:
    shipped = Path(__file__).parents[2] / "testplans" / "profiles" / "dosing-lines.profile.yaml"
    profile = lab.path / "bad.profile.yaml"
    profile.write_text(shipped.read_text().replace("baud: 230400", "bawd: 230400"))
    rig = lab.rig("board: {profile: bad.profile.yaml}\n")
    refused(lab, lab.run(lab.plan(rig=rig)), place=r"bad\.profile\.yaml:\d+:\d+: ", words="baud")


def test_every_mistake_is_told_at_once(lab) -> None:
    name = lab.plan("  - {id: s, scenario: start, speed: 1000 V}\n  - {id: r, scenario: reverse}\n")
    text = lab.run(name).stdout.str()
    assert "t.plan.yaml:5:" in text
    assert "t.plan.yaml:6:" in text


# -- sets of items that cannot be ---------------------------------------------------------


def test_two_rigs_in_one_session_are_refused_and_the_way_out_is_named(lab) -> None:
    other = lab.rig("", "other")
    files = [lab.plan(), lab.plan(name="u", rig=other)]
    result = lab.run(*files)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: the collected items name different rigs (*other.yaml*"])
    assert "--hil-rig" in result.stderr.str()
    assert not (lab.path / "runs").exists()


def test_two_rigs_become_one_with_the_option(lab) -> None:
    other = lab.rig("", "other")
    files = [lab.plan(), lab.plan("  - {id: u, scenario: start, speed: 1000 rpm, hold: 0.1 s, "
             "bands: {success: {exactly: 1}}}\n", name="u", rig=other)]  # fmt: skip
    assert lab.run(*files, f"--hil-rig={other}").ret == 0
    assert [r.item for r in lab.record.results] == ["s", "u"]


def test_one_id_in_two_plans_is_refused_with_both_files(lab) -> None:
    files = [lab.plan(), lab.plan(name="u")]
    result = lab.run(*files)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: two collected items have the id s (*t.plan.yaml*u.plan*"])


def test_several_processes_are_refused(lab) -> None:
    lab.plan()
    lab.pytester.makepyfile(test_script="def test_script(hil_script): pass")
    result = lab.pytester.runpytest_subprocess(
        "-n", "1", "--hil-bench=twin", "--hil-out=runs", "--continue-on-collection-errors"
    )
    assert result.ret != 0
    text = result.stdout.str()
    assert text.count("bench items run in one process, one rig at a time: leave -n out") >= 2
    assert "Traceback" not in text
    assert not (lab.path / "runs").exists()
