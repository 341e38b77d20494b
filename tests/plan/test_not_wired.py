"""Items of a rig without a brake, or a signal switch: what a person does, what is not run, what
stays a mistake. Items that ask a board for what it has not: left out.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.errors import PlanError
from hil.plan.expand import expand, left_out, not_wired
from hil.plan.load import load_plan


@pytest.fixture
def items(write, rig, measures):
    """Items of a plan text on the demo rig."""
    return lambda text, on=rig: expand(load_plan(write(text, "demo.plan.yaml")), on, measures)


@pytest.fixture
def refused(items):
    """Error of a plan text."""

    def make(text, on):
        with pytest.raises(PlanError) as caught:
            items(text, on=on)
        return str(caught.value)

    return make


def bare(rig):
    return rig.model_copy(update={"brake": None})


def test_a_load_on_a_rig_without_a_brake_is_collected_and_says_what_is_lacking(items, rig):
    text = LOADS[: LOADS.index("  - id: loaded")].replace(
        "    bands", "    matrix: {load: 20 mN*m}\n    bands"
    )
    (item,) = items(text, on=bare(rig))
    assert item.lacks == (
        "no brake wired on rig dosing-pump, and no person keeps to 0.02 N*m (load)"
    )
    assert item.attended is False
    (wired,) = items(text)
    assert wired.lacks == ""
    assert (wired.id, wired.load, wired.bands) == (item.id, item.load, item.bands)


PLAIN = """\
format: 1
plan: demo
scenarios:
  - id: plain
    scenario: start
    speed: 1000 rpm
    bands: {overshoot: {max: 20 %}}
"""
LOADS = (
    PLAIN
    + """\
  - id: loaded
    scenario: start
    speed: 1000 rpm
    matrix: {load: [0 N*m, 20 mN*m]}
    bands: {overshoot: {max: 20 %}}
  - id: driven
    scenario: speed-step
    from: 1000 rpm
    to: 2000 rpm
    saturate: {brake-torque: 0.3 N*m, hold: 1 s}
    bands: {overshoot: {max: 20 %}}
  - id: held
    scenario: stall
    speed: 1000 rpm
    brake-torque: 1 N*m
    expect: trip
    bands: {tripped: {exactly: 1}}
  - id: free
    scenario: stall
    speed: 1000 rpm
    brake-torque: 20 mN*m
    expect: no-trip
    bands: {tripped: {exactly: 0}}
  - id: by-steps
    scenario: steps
    steps: [{start: 1000 rpm}, {brake: 0.1 N*m}, release]
    bands: {fault-count: {exactly: 0}}
"""
)


def test_what_a_person_can_do_is_attended_and_what_needs_a_brake_is_not(items, rig):
    found = items(LOADS, on=bare(rig))
    lacking = [item.id for item in found if item.lacks]
    attended = [item.id for item in found if item.attended]
    assert lacking == ["loaded.20mnm", "driven", "free"]
    assert attended == ["held", "by-steps"]
    assert [item.id for item in found] == [item.id for item in items(LOADS)]
    assert not any(item.lacks or item.attended for item in items(LOADS))
    assert list(not_wired(found, bare(rig))) == [
        "no brake wired on rig dosing-pump: items that need one are not run (3 of 7): "
        "loaded.20mnm, driven, free"
    ]
    assert list(not_wired(items(LOADS), rig)) == []
    (many,) = not_wired(found * 5, bare(rig))
    assert "(15 of 35): loaded.20mnm, driven, free, loaded.20mnm, " in many
    assert many.endswith(", loaded.20mnm and 5 more")


def test_a_mistake_in_the_plan_is_refused_with_or_without_a_brake(refused, rig):
    fast = LOADS.replace("to: 2000 rpm", "to: 90000 rpm")
    for on in (rig, bare(rig)):
        assert "90000 rpm lies outside min-speed" in refused(fast, on)
    strong = LOADS.replace("brake-torque: 0.3 N*m", "brake-torque: 30 N*m")
    assert "30 N*m lies above max-torque 2 N*m of the brake" in refused(strong, rig)


# -- without a signal switch --------------------------------------------------------------

LINES = (
    PLAIN
    + """\
  - id: opened
    scenario: steps
    steps: [{start: 1000 rpm}, {open: hall-a}, {wait: 1 s}, {close: hall-a}, {open: phase-b}]
    bands: {fault-count: {exactly: 1}}
  - id: opened-and-held
    scenario: steps
    steps: [{start: 1000 rpm}, {open: hall-a}, {brake: 0.1 N*m}]
    matrix: {load: [0 N*m, 20 mN*m]}
    bands: {fault-count: {exactly: 1}}
"""
)


def test_lines_on_a_rig_without_a_switch_are_collected_and_say_what_is_lacking(items, rig):
    on = rig.model_copy(update={"switch": None})
    plain, opened, *_ = found = items(LINES, on=on)
    assert plain.lacks == ""
    assert opened.lacks == (
        "no signal switch wired on rig dosing-pump to open and close hall-a, phase-b"
    )
    held = ["opened-and-held.0mnm", "opened-and-held.20mnm"]
    assert not_wired_names(found, on) == ["opened", *held]
    assert not any(item.lacks for item in items(LINES))


def not_wired_names(found, on):
    """Items that the only line names."""
    (line,) = not_wired(found, on)
    assert line.startswith("no signal switch wired on rig dosing-pump: items that need one are not")
    return line.rpartition(": ")[2].split(", ")


def test_what_lacks_both_says_both_and_is_never_asked_of_a_person(items, rig):
    on = rig.model_copy(update={"switch": None, "brake": None})
    _, opened, held, loaded = found = items(LINES, on=on)
    assert "brake" not in opened.lacks
    assert held.lacks == "no signal switch wired on rig dosing-pump to open and close hall-a"
    assert loaded.lacks == (
        "no brake wired on rig dosing-pump, and no person keeps to 0.02 N*m (load); "
        "no signal switch wired on rig dosing-pump to open and close hall-a"
    )
    assert not any(item.attended for item in found)
    assert [line.split(" wired")[0] for line in not_wired(found, on)] == [
        "no brake", "no signal switch"
    ]  # fmt: skip


def test_a_line_that_no_switch_has_is_a_mistake_on_any_rig(refused, rig):
    text = LINES.replace("{open: phase-b}", "{open: phase-d}")
    assert "rig dosing-pump cannot open or close line 'phase-d', there are hall-a" in refused(
        text, rig
    )
    bare_of_it = rig.model_copy(update={"switch": None})
    assert "scenarios[opened].steps[5]: there is no line 'phase-d', there are hall-a" in refused(
        text, bare_of_it
    )


ASKS = (
    PLAIN
    + """\
  - id: asks
    scenario: steps
    matrix: {supply: [20 V, 30 V]}
    steps: [{expect-refusal: {start: 9000 rpm}}, {expect-refusal: {sensing: SENSING}}]
    bands: {fault-count: {exactly: 0}}
"""
)


def fixed(rig, sensing="hall"):
    """A rig whose board always senses one way: its link profile has no command to select it."""
    commands = {name: c for name, c in rig.profile.commands.items() if name != "select-sensing"}
    profile = replace(rig.profile, commands=commands, sensing=sensing)
    board = rig.board.model_copy(update={"sensing": (sensing,)})
    found = rig.model_copy(update={"board": board})
    found._profile = profile  # as read with the rig, from a file of its own
    return found


@pytest.mark.parametrize("sensing", ["hall", "back-emf"])
def test_a_refusal_that_no_command_can_ask_for_is_left_out_and_told(items, write, rig, sensing):
    text, on = ASKS.replace("SENSING", sensing), fixed(rig)
    assert [item.id for item in items(text, on)] == ["plain"]
    (line,) = left_out(load_plan(write(text, "demo.plan.yaml")), on)
    assert line == (
        f"link profile {rig.profile.name} of rig dosing-pump has no command select-sensing "
        "(sensing: hall) that a step expect-refusal could send: 2 of 3 items of plan demo are left "
        "out: asks.20v, asks.30v"
    )


def test_other_refusals_and_boards_that_can_be_told_are_left_alone(items, rig):
    text = ASKS.replace("SENSING", "back-emf")
    assert [item.id for item in items(text)] == ["plain", "asks.20v", "asks.30v"]
    other = text.replace(", {expect-refusal: {sensing: back-emf}}", "")
    assert [item.id for item in items(other, fixed(rig))] == ["plain", "asks.20v", "asks.30v"]


def test_a_plan_of_which_nothing_is_left_is_refused_with_each_reason(refused, rig):
    text = ASKS.replace("SENSING", "hall")
    alone = text[: text.index("  - id: plain")] + text[text.index("  - id: asks") :]
    assert "has no command select-sensing" in refused(alone, fixed(rig))


LADDER = (
    PLAIN
    + """\
  - id: derated
    scenario: derating
    speed: 1000 rpm
    brake-torque: 0.4 N*m
    temperatures: [50 degC, 70 degC]
    bands: {derating-start: {min: 60 degC}}
"""
)


def test_without_a_ladder_what_needs_one_is_not_run(items, rig):
    without = rig.model_copy(update={"switch": rig.switch.model_copy(update={"ladder": ()})})
    for on in (without, rig.model_copy(update={"switch": None})):
        _, item = items(LADDER, on=on)
        assert item.lacks == (
            "no ladder of resistors wired on rig dosing-pump (switch.ladder) to put 50 degC, "
            "70 degC in place of the temperature sensor"
        )
    assert not any(item.lacks for item in items(LADDER))


def test_a_rung_that_a_ladder_has_not_is_a_contradiction(refused, rig):
    short = rig.switch.model_copy(update={"ladder": (50.0, 72.0)})
    said = refused(LADDER, rig.model_copy(update={"switch": short}))
    assert "cannot open or close line 'temperature-70'" in said
    assert "temperature-50, temperature-72" in said


def test_temperatures_must_rise(refused, rig):
    said = refused(LADDER.replace("50 degC, 70", "70 degC, 70"), rig)
    assert "expected them to rise, found 70 degC after 70 degC" in said


def test_a_glitch_shorter_than_the_switch_can_make_is_not_run(items, rig):
    text = (
        PLAIN
        + """\
  - id: glitch
    scenario: protection
    speed: 1000 rpm
    cause: {glitch: hall-a, for: 0.2 ms}
    fault: [hall]
    expect: no-trip
    bands: {tripped: {exactly: 0}}
  - id: steps
    scenario: steps
    steps: [{glitch: {line: hall-b, times: 2, every: 30 ms}, for: 3 ms}]
    bands: {fault-count: {exactly: 0}}
"""
    )
    slow = rig.switch.model_copy(update={"shortest": 0.004})
    _, one, two = items(text, on=rig.model_copy(update={"switch": slow}))
    assert one.lacks == (
        "the signal switch of rig dosing-pump makes no break shorter than 4 ms (switch.shortest), "
        "and 0.2 ms of hall-a are asked for"
    )
    assert "3 ms of hall-b" in two.lacks
    assert not any(item.lacks for item in items(text))
