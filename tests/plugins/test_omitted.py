"""What is left out of a run is recorded and told, however it came to be left out."""

import json
import re
import xml.etree.ElementTree as ET

import pytest

from hil.core.record import DESELECTED, Omitted
from hil.report.summary import facts

FOUR = """
  - id: s
    scenario: start
    requirements: [R-1]
    speed: 1000 rpm
    hold: 0.4 s
    within: 2 s
    matrix: {sensing: [hall, back-emf], direction: [cw, ccw]}
    bands: {success: {exactly: 1, requirement: R-2}}
"""
OTHER = """
  - id: t
    scenario: start
    requirements: [R-3]
    speed: 1000 rpm
    hold: 0.4 s
    bands: {success: {exactly: 1}}
"""
MARKS = ("R-1", "R-2")
HALL = {"s.hall.cw": MARKS, "s.hall.ccw": MARKS}
CCW = {"s.hall.ccw": MARKS, "s.back-emf.ccw": MARKS}


@pytest.mark.parametrize(
    "choice",
    [
        ["-k", "not ccw"],
        ["-m", "cw"],
        ["--deselect", "t.plan.yaml::s.hall.ccw", "--deselect", "t.plan.yaml::s.back-emf.ccw"],
    ],
)
def test_what_an_option_deselects_is_recorded(lab, choice: list[str]) -> None:
    result = lab.run(lab.plan(FOUR), *choice)
    start = lab.record.start
    assert start.items == ("s.hall.cw", "s.back-emf.cw")
    assert start.omitted == (Omitted(plan="t", why=DESELECTED, items=CCW),)
    line = "deselected: 2 of 4 planned items are not in this run: s.hall.ccw, s.back-emf.ccw"
    result.stdout.fnmatch_lines([line])


def test_items_by_their_ids_leave_the_others_out(lab) -> None:
    name = lab.plan(FOUR)
    lab.run(f"{name}::s.hall.cw", f"{name}::s.back-emf.cw")
    assert lab.record.start.omitted == (Omitted(plan="t", why=DESELECTED, items=CCW),)


def test_only_what_failed_last_leaves_the_others_out(lab) -> None:
    strict = FOUR.replace(
        "bands: {", "bands: {time-to-speed: [{max: 20 ms, when: {direction: ccw}}], "
    )
    name = lab.plan(strict)
    lab.run(name, "-p", "cacheprovider")
    lab.run(name, "-p", "cacheprovider", "--lf")
    (one,) = lab.record.start.omitted
    assert set(one.items) == {"s.hall.cw", "s.back-emf.cw"}


def test_a_whole_run_leaves_nothing_out(lab) -> None:
    result = lab.run(lab.plan())
    assert lab.record.start.omitted == ()
    assert "planned items are not in this run" not in result.stdout.str()
    assert "not-in-this-run" not in (lab.folders[0] / "junit.xml").read_text(encoding="utf-8")


def test_what_the_rig_cannot_do_is_told_apart(lab) -> None:
    rig = lab.rig("board: {sensing: [back-emf]}\n")
    result = lab.run(lab.plan(FOUR, rig=rig), "-k", "not ccw")
    deselected, beyond = lab.record.start.omitted
    assert deselected.items == {"s.back-emf.ccw": MARKS}
    assert beyond.items == HALL
    assert beyond.why.startswith("rig changed has no sensing hall")
    result.stdout.fnmatch_lines([
        "deselected: 1 of 4 planned items are not in this run: s.back-emf.ccw",
        "left out, rig changed has no sensing hall*: 2 of 4 planned items are not in this run: *",
    ])  # fmt: skip


def test_a_plan_of_which_nothing_is_run_is_recorded_and_not_kept(lab) -> None:
    names = lab.plan(FOUR), lab.plan(OTHER, name="u")
    lab.run(*names, "-k", "hall and s.")
    start = lab.record.start
    assert start.plans == ("t.plan.yaml",)
    assert "u.plan.yaml" not in start.hashes
    assert [(one.plan, dict(one.items)) for one in start.omitted] == [
        ("t", {"s.back-emf.cw": MARKS, "s.back-emf.ccw": MARKS}),
        ("u", {"t": ("R-3",)}),
    ]


def test_a_plan_for_another_rig_is_no_part_of_it(lab) -> None:
    names = lab.plan(FOUR), lab.plan(OTHER, name="u", rig=lab.rig(""))
    lab.run(*names, "-k", "hall and s.")
    assert [one.plan for one in lab.record.start.omitted] == ["t"]


def test_deselected_scenarios_in_python_are_recorded(lab) -> None:
    rig = lab.rig("")
    lab.pytester.makepyfile(
        test_pump=f"""
        import pytest
        pytestmark = pytest.mark.hil(rig={str(rig)!r})
        def test_wet(hil_bench): pass
        def test_dry(hil_bench): pass
        def test_paper(): pass
        """
    )
    lab.run("test_pump.py", "-k", "wet")
    assert lab.record.start.omitted == (
        Omitted(plan="test_pump.py", why=DESELECTED, items={"test_pump.test_dry": ()}),
    )


def test_the_report_junit_and_facts_tell_it(lab) -> None:
    lab.run(lab.plan(FOUR), "-k", "not ccw")
    (folder,) = lab.folders
    line = "deselected: 2 of 4 planned items are not in this run: s.hall.ccw, s.back-emf.ccw"
    page = (folder / "report.html").read_text(encoding="utf-8")
    header = re.search(r"<header>.*?</header>", page, re.DOTALL)
    assert header is not None
    assert line in header[0]
    assert "2 items of plan t: deselected" in page
    suite = ET.parse(folder / "junit.xml").getroot()
    properties = {one.get("name"): one.get("value") for one in suite.iter("property")}
    assert properties["not-in-this-run"] == line
    assert line in (suite.findtext("system-out") or "")
    told = {"plan": "t", "why": "deselected", "items": ["s.hall.ccw", "s.back-emf.ccw"]}
    assert facts(lab.record)["omitted"] == [told]


def test_a_record_without_the_field_is_read(lab) -> None:
    lab.run(lab.plan())
    file = lab.folders[0] / "record.jsonl"
    first, rest = file.read_text().split("\n", 1)
    start = json.loads(first)
    del start["omitted"]
    file.write_text(json.dumps(start) + "\n" + rest)
    assert lab.record.start.omitted == ()


def test_a_resumed_run_tells_what_it_left_out_and_not_what_it_kept(lab) -> None:
    strict = FOUR.replace("hold: 0.4 s", "hold: 0.5 s")
    name = lab.plan(strict)
    lab.run(name, "-k", "not ccw", "-x", "--maxfail=1")
    (folder,) = lab.folders
    file = folder / "record.jsonl"
    lines = file.read_text().splitlines(keepends=True)
    file.write_text("".join(lines[:3]))  # its process was killed after the first item
    result = lab.run(name, f"--hil-resume={folder}")
    line = "deselected: 2 of 4 planned items are not in this run: s.hall.ccw, s.back-emf.ccw"
    assert result.stdout.str().count("planned items are not in this run") == 1
    result.stdout.fnmatch_lines([line])
    assert lab.record.start.omitted == (Omitted(plan="t", why=DESELECTED, items=CCW),)
