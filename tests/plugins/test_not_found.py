"""A mistyped name of an item is told with what was probably meant."""

from pathlib import Path

import pytest

from hil.plugins.not_found import suggestions

PLAN = Path("/lab/t.plan.yaml")
ITEMS = {PLAN: ["start.hall.cw", "start.hall.ccw", "stall"]}


@pytest.mark.parametrize(
    ("argument", "said"),
    [
        ("t.plan.yaml::start.cw.hal", ["start.cw.hal: did you mean start.hall.cw?"]),
        ("/lab/t.plan.yaml::stal", ["stal: did you mean stall?"]),
        ("../lab/t.plan.yaml::zzz", ["zzz: the 3 items of ../lab/t.plan.yaml are named by "
                                     "--collect-only -q"]),
        ("t.plan.yaml::stall", []),
        ("t.plan.yaml", []),
        ("other.plan.yaml::stal", []),
        ("tests/test_it.py::test_stall", []),
    ],
)  # fmt: skip
def test_what_is_suggested(argument: str, said: list[str]) -> None:
    assert list(suggestions([argument], Path("/lab"), ITEMS)) == said


def test_a_session_ends_with_the_suggestion(lab) -> None:
    plan = lab.plan("""
  - id: start
    scenario: start
    speed: 1000 rpm
    matrix: {direction: [cw, ccw], sensing: [hall]}
    bands: {success: {exactly: 1}}
""")
    result = lab.run(f"{plan}::start.hall.cw")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: not found: *t.plan.yaml::start.hall.cw"])
    assert "start.hall.cw: did you mean start.cw.hall?" in result.errlines
    assert not lab.folders
