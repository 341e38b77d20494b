"""Plan files: scenarios, matrices, and what is refused before any rig is known."""

import pytest

from hil.core.drive import Direction, Sensing
from hil.core.errors import PlanError
from hil.plan import steps
from hil.plan.load import load_plan

PLAIN = """\
format: 1
plan: demo
scenarios:
  - id: start
    scenario: start
    speed: 2000 rpm
    matrix:
      sensing: [hall, back-emf]
      supply: [20 V, 24 V]
    bands:
      overshoot: {max: 20 %}
"""


@pytest.fixture
def plan(write):
    """Load a plan text."""
    return lambda text: load_plan(write(text, "demo.plan.yaml"))


@pytest.fixture
def edited(plan):
    """Load the plain plan with one text replaced."""

    def make(old, new):
        assert old in PLAIN
        return plan(PLAIN.replace(old, new, 1))

    return make


@pytest.fixture
def refused(write):
    """Error of a plan text."""

    def make(text):
        with pytest.raises(PlanError) as caught:
            load_plan(write(text, "demo.plan.yaml"))
        return caught.value

    return make


def slugs(plan, scenario=0):
    return [".".join(case.slug) for case in plan.scenarios[scenario].cases]


def test_first_axis_changes_slowest(edited):
    found = edited("format", "format")
    assert slugs(found) == ["hall.20v", "hall.24v", "back-emf.20v", "back-emf.24v"]


def test_axes_keep_the_order_in_which_they_are_written(edited):
    found = edited(
        "      sensing: [hall, back-emf]\n      supply: [20 V, 24 V]\n",
        "      supply: [24 V, 20 V]\n      sensing: [hall, back-emf]\n",
    )
    assert slugs(found) == ["24v.hall", "24v.back-emf", "20v.hall", "20v.back-emf"]


def test_a_cell_carries_typed_values(edited):
    case = edited("format", "format").scenarios[0].cases[2]
    assert case.sensing is Sensing.BACK_EMF
    assert case.supply == 20.0
    assert case.direction is Direction.CLOCKWISE
    assert case.parameters.speed == 2000.0
    assert case.parameters.hold == 0.8
    assert case.values["speed"] == 2000.0
    assert case.where["supply"] == ("scenarios", 0, "matrix", "supply", 0)
    assert case.where["speed"] == ("scenarios", 0, "speed")


def test_a_single_value_is_an_axis_of_one(edited):
    found = edited("sensing: [hall, back-emf]", "sensing: hall")
    assert slugs(found) == ["hall.20v", "hall.24v"]


def test_without_a_matrix_the_id_is_that_of_the_scenario(plan):
    found = plan(
        "format: 1\nplan: p\nscenarios:\n  - {id: one, scenario: start, speed: 1000 rpm}\n"
    )
    assert [case.slug for case in found.scenarios[0].cases] == [()]


def test_parameters_can_be_axes(edited):
    found = edited(
        "    speed: 2000 rpm\n    matrix:\n", "    matrix:\n      speed: [1 krpm, 1500 rpm]\n"
    )
    assert slugs(found)[0] == "1000rpm.hall.20v"
    assert len(slugs(found)) == 8


@pytest.mark.parametrize(
    ("axis", "slug"),
    [
        ("load: 0.0405 N*m", "40.5mnm"),
        ("hold: 500 ms", "0.5s"),
        ("tolerance: 2 %", "2pct"),
        ("direction: ccw", "ccw"),
        ("supply: 24.5 V", "24.5v"),
    ],
)
def test_slugs_of_axes(plan, axis, slug):
    found = plan(
        "format: 1\nplan: p\nscenarios:\n  - id: one\n    scenario: start\n    speed: 1000 rpm\n"
        f"    matrix: {{{axis}}}\n"
    )
    assert slugs(found) == [slug]


def test_standstill_as_an_axis(plan):
    found = plan(
        "format: 1\nplan: p\nscenarios:\n  - id: one\n    scenario: stall\n    speed: 1000 rpm\n"
        "    brake-torque: 1 N*m\n    expect: trip\n    matrix: {from-standstill: [true, false]}\n"
    )
    assert slugs(found) == ["from-standstill", "not-from-standstill"]
    assert [case.parameters.entry for case in found.scenarios[0].cases] == [0.0, 1000.0]


def test_exceptions_leave_cells_out(edited):
    found = edited(
        "      supply: [20 V, 24 V]\n",
        "      supply: [20 V, 24 V]\n      except:\n        - {sensing: hall, supply: 20000 mV}\n",
    )
    assert slugs(found) == ["hall.24v", "back-emf.20v", "back-emf.24v"]


def test_repeats_are_no_axis(edited):
    found = edited("      supply: [20 V, 24 V]\n", "      repeats: 5\n")
    assert found.scenarios[0].repeats == 5
    assert slugs(found) == ["hall", "back-emf"]


def test_defaults_reach_every_scenario_that_does_not_say_otherwise(edited):
    found = edited("scenarios:", "defaults: {tolerance: 2 %, within: 7 s}\nscenarios:")
    parameters = found.scenarios[0].cases[0].parameters
    assert (parameters.tolerance, parameters.within) == (2.0, 7.0)
    found = edited("    speed: 2000 rpm\n", "    speed: 2000 rpm\n    tolerance: 3 %\n")
    assert found.scenarios[0].cases[0].parameters.tolerance == 3.0


def test_steps(plan):
    found = plan(
        "format: 1\nplan: p\nscenarios:\n  - id: cycle\n    scenario: steps\n    steps:\n"
        "      - start: 1000 rpm\n      - {wait-for: {state: run}, within: 2 s}\n"
        "      - set-speed: 1500 rpm\n      - brake: 0.1 N*m\n      - reverse\n      - stop\n"
    )
    parameters = found.scenarios[0].cases[0].parameters
    assert parameters.steps[0] == steps.Start(1000.0)
    assert parameters.steps[-1] == steps.Stop()
    assert parameters.target == 1500.0
    assert [speed for _key, speed in parameters.speeds()] == [1000.0, 1500.0]
    assert list(parameters.torques()) == [("steps", 0.1)]


def test_entry_and_target_of_each_kind(plan):
    found = plan(
        "format: 1\nplan: p\nscenarios:\n"
        "  - {id: r, scenario: reversal, entry-speed: 1000 rpm, speed: 2000 rpm}\n"
        "  - {id: s, scenario: speed-step, from: 3000 rpm, to: 2000 rpm}\n"
        "  - {id: t, scenario: stall, speed: 900 rpm, brake-torque: 1 N*m, expect: no-trip}\n"
        "  - {id: u, scenario: steps, steps: [stop]}\n"
    )
    pairs = [(s.cases[0].parameters.entry, s.cases[0].parameters.target) for s in found.scenarios]
    assert pairs == [(1000.0, 2000.0), (3000.0, 2000.0), (900.0, 900.0), (0.0, 0.0)]


@pytest.mark.parametrize(
    ("old", "new", "place", "message"),
    [
        ("format: 1", "format: 3", "format", "format: expected 1, found the number 3"),
        ("plan: demo", "", "format", "plan is missing"),
        ("plan: demo", "plans: demo", "plans", "file: unknown key 'plans'; did you mean 'plan'?"),
        ("scenarios:\n", "rig: absent.yaml\nscenarios:\n", "absent", "rig: there is no file"),
        (
            "    speed: 2000 rpm",
            "    sped: 2000 rpm",
            "sped",
            "scenarios[start] (start): unknown key 'sped'; did you mean 'speed'?",
        ),
        ("    speed: 2000 rpm\n", "", "- id", "scenarios[start].speed is missing"),
        ("- id: start", "- id: Start 1", "Start 1", "scenarios[1].id: expected lower-case letters"),
        ("- id: start\n    ", "- ", "- scenario", "scenarios[1].id is missing"),
        (
            "scenario: start",
            "scenario: strat",
            "strat",
            "scenarios[start].scenario: unknown kind 'strat'; did you mean 'start'?",
        ),
        (
            "speed: 2000 rpm",
            "speed: 2000 V",
            "2000 V",
            "scenarios[start].speed: expected a speed with its unit, such as '3000 rpm', found "
            "'2000 V', which is a voltage",
        ),
        (
            "supply: [20 V, 24 V]",
            "supply: [20 V, 24]",
            "24]",
            "scenarios[start].matrix.supply[2]: expected a voltage with its unit, such as '24 V', "
            "found 24 without unit",
        ),
        (
            "sensing: [hall, back-emf]",
            "sensing: [hall, backemf]",
            "backemf",
            "scenarios[start].matrix.sensing[2]: expected 'hall' or 'back-emf', found 'backemf'; "
            "did you mean 'back-emf'?",
        ),
        (
            "      sensing:",
            "      sensin:",
            "sensin",
            "scenarios[start].matrix: unknown axis 'sensin'; did you mean 'sensing'?",
        ),
        (
            "    matrix:",
            "    supply: 24 V\n    matrix:",
            "supply: [",
            "scenarios[start].matrix: 'supply' is also set for the whole scenario, line 7",
        ),
        (
            "[20 V, 24 V]",
            "[]",
            "[]",
            "scenarios[start].matrix.supply: expected a value or a list of values",
        ),
        (
            "      supply:",
            "      repeats: 0\n      supply:",
            "0\n",
            "scenarios[start].matrix.repeats: expected at least 1, found the number 0",
        ),
        (
            "      supply:",
            "      except: [{supply: 20 V}, {sped: 1 rpm}]\n      supply:",
            "sped",
            "scenarios[start].matrix.except[2]: unknown key 'sped'",
        ),
        (
            "      supply:",
            "      except: [{supply: [20 V, 24 V]}]\n      supply:",
            "[{supply",
            "scenarios[start].matrix.except: leaves nothing of the matrix",
        ),
        (
            "      supply:",
            "      except: all\n      supply:",
            "all\n",
            "scenarios[start].matrix.except: expected a list of axis values",
        ),
        (
            "{max: 20 %}",
            "{maximum: 20 %}",
            "maximum",
            "scenarios[start].bands.overshoot: unknown key 'maximum'; did you mean 'max'?",
        ),
        (
            "{max: 20 %}",
            "{max: 20 %, rule: strict}",
            "strict",
            "scenarios[start].bands.overshoot.rule: expected 'simple' or 'guarded', found 'strict'",
        ),
    ],
)
def test_golden_messages(refused, old, new, place, message):
    assert old in PLAIN
    text = PLAIN.replace(old, new, 1)
    error = refused(text)
    before = text[: text.index(place)]
    assert error.line == before.count("\n") + 1
    assert str(error).startswith(f"{error.file}:{error.line}:{error.column}: {message}")


@pytest.mark.parametrize(
    ("scenario", "message"),
    [
        (
            "scenario: speed-step, from: 1000 rpm, to: 1000 rpm",
            "from and to are both 1000 rpm: that is no step",
        ),
        (
            "scenario: speed-step, from: 2000 rpm, to: 1000 rpm, "
            "saturate: {brake-torque: 1 N*m, hold: 1 s}",
            "a brake saturates a step up, not a step down",
        ),
        (
            "scenario: speed-step, from: 1000 rpm, to: 2000 rpm, saturate: {brake-torque: 1 N*m}",
            "scenarios[one].saturate.hold is missing",
        ),
        (
            "scenario: stall, speed: 1000 rpm, brake-torque: 0 N*m, expect: trip",
            "brake-torque: expected more than zero",
        ),
        (
            "scenario: stall, speed: 1000 rpm, brake-torque: 1 N*m, expect: maybe",
            "scenarios[one].expect: expected 'trip' or 'no-trip', found 'maybe'",
        ),
        (
            "scenario: stall, speed: 1000 rpm, brake-torque: 1 N*m, expect: no-trip, "
            "from-standstill: true",
            "a drive held at standstill must trip",
        ),
        ("scenario: steps, steps: []", "scenarios[one].steps"),
        ("scenario: steps, steps: [{strat: 1 rpm}]", "steps[1]: unknown step 'strat'"),
        ("scenario: steps, steps: [stop, spin]", "steps[2]: unknown step 'spin'"),
        ("scenario: steps, steps: [{start: 1 rpm, brake: 1 N*m}]", "expected one step an entry"),
        (
            "scenario: start, speed: 1000 rpm, matrix: {speed: [1 rpm]}",
            "'speed' is also set for the whole scenario",
        ),
        ("scenario: start, speed: 1000 rpm, matrix: {repeats: many}", "whole number"),
        ("scenario: start, matrix: {speed: [[1 rpm]]}", "expected a value or a list of values"),
    ],
)
def test_refused_scenarios(refused, scenario, message):
    error = refused(f"format: 1\nplan: p\nscenarios:\n  - {{id: one, {scenario}}}\n")
    assert message in str(error)
    assert error.line == 4


def test_too_large_a_matrix(refused):
    many = ", ".join(f"{n} rpm" for n in range(1000, 1200))
    error = refused(
        "format: 1\nplan: p\nscenarios:\n  - id: one\n    scenario: reversal\n    matrix:\n"
        f"      speed: [{many}]\n      entry-speed: [{many}]\n"
    )
    assert "more than 10000 combinations" in str(error)


def test_two_scenarios_of_one_id(refused):
    error = refused(
        "format: 1\nplan: p\nscenarios:\n"
        "  - {id: one, scenario: start, speed: 1000 rpm}\n"
        "  - {id: one, scenario: start, speed: 2000 rpm}\n"
    )
    assert error.line == 5
    assert "'one' stands already at line 4" in str(error)


def test_no_scenarios(refused):
    assert "scenarios" in str(refused("format: 1\nplan: p\nscenarios: []\n"))
    assert "scenarios is missing" in str(refused("format: 1\nplan: p\n"))


def test_problems_of_all_scenarios_are_told(refused):
    error = refused(
        "format: 1\nplan: p\nscenarios:\n"
        "  - {id: one, scenario: start, speed: 1000}\n"
        "  - {id: two, scenario: strat, speed: 2000 rpm}\n"
        "  - {id: three, scenario: stall, speed: 2000 rpm}\n"
    )
    lines = str(error).splitlines()
    assert len(lines) == 4
    assert "found 1000 without unit" in lines[0]
    assert "unknown kind 'strat'" in lines[1]
    assert {"brake-torque", "expect"} == {
        line.split("scenarios[three].")[1].split()[0] for line in lines[2:]
    }


def test_a_wrong_axis_value_is_told_once(refused):
    error = refused(PLAIN.replace("20 V,", "20 A,"))
    assert str(error).count("\n") == 0
