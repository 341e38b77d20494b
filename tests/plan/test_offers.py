"""What a rig has to measure with, and what is left out or cannot be judged for want of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.errors import PlanError
from hil.plan.collect import collect, units
from hil.plan.expand import expand, left_out
from hil.plan.foretold import foretold
from hil.plan.instruments import ThermometerInstrument
from hil.plan.load import load_plan
from hil.plan.offers import NO_DIRECTION, absent_channels, not_judged
from hil.ports.reading_commands import CounterCommands, MemoryCommands, NumberQuery

PLAN = """\
format: 1
plan: demo
defaults:
  bands: {speed-disagreement: {max: 3 %}}
scenarios:
  - id: start
    scenario: start
    speed: 1000 rpm
    matrix: {sensing: [hall, back-emf], direction: [cw, ccw]}
    bands:
      overshoot: {max: 20 %}
      backward-kick: {max: 50 deg}
      handover-dip: [{max: 20 %, when: {sensing: back-emf}}]
  - id: plain
    scenario: start
    speed: 1000 rpm
    bands: {overshoot: {max: 20 %}, speed-disagreement: none}
"""


@pytest.fixture
def plan(write):
    return load_plan(write(PLAN, "demo.plan.yaml"))


def hall_only(rig):
    return rig.model_copy(update={"board": rig.board.model_copy(update={"sensing": ("hall",)})})


# -- channels ------------------------------------------------------------------------------------


@pytest.fixture
def full(rig):
    """The demo rig with a thermometer, so that nothing is missing."""
    return rig.model_copy(
        update={"thermometer": ThermometerInstrument(resource="TCPIP::127.0.0.1::9::SOCKET")}
    )


def test_a_rig_with_everything_lacks_nothing(full):
    assert absent_channels(full) == ()


@pytest.mark.parametrize(
    ("missing", "channels"),
    [
        ("tachometer", {"witness.speed", "witness.position"}),
        ("thermometer", {"witness.temperature"}),
        ("brake", set()),
    ],
)
def test_what_is_not_wired_gives_no_channel(full, missing, channels):
    absent = dict(absent_channels(full.model_copy(update={missing: None})))
    assert set(absent) == channels
    assert all(reason == f"the rig has no {missing}" for reason in absent.values())


def test_a_tachometer_that_tells_no_angle_or_no_direction_gives_no_position(full):
    blind = full.model_copy(
        update={"tachometer": full.tachometer.model_copy(update={"senses_direction": False})}
    )
    assert dict(absent_channels(blind))["witness.position"].endswith("the direction of rotation")
    for said in (
        CounterCommands(speed=NumberQuery(query="FREQ?"), position=None),
        MemoryCommands(columns=("time", "speed")),
    ):
        counting = full.model_copy()
        counting._readings = {"tachometer": said}
        found = dict(absent_channels(counting))
        assert found == {"witness.position": "the tachometer of the rig tells no angle"}


def test_what_the_board_does_not_report_is_absent(full):
    poor = full.model_copy()
    telemetry = full.profile.messages["telemetry"]
    fields = tuple(f for f in telemetry.fields if f.channel != "reported.temperature")
    messages = {**full.profile.messages, "telemetry": replace(telemetry, fields=fields)}
    poor._profile = replace(full.profile, messages=messages)
    found = dict(absent_channels(poor))
    assert found == {"reported.temperature": "the board reports no temperature"}


# -- bands ---------------------------------------------------------------------------------------


def test_bands_that_cannot_be_judged_are_named_once_a_measure(plan, rig):
    bare = rig.model_copy(update={"tachometer": None})
    items = expand(plan, bare, units())
    assert list(not_judged(expand(plan, rig, units()), rig)) == []
    lines = list(not_judged(items, bare))
    assert [line.split(";")[0] for line in lines] == [
        "the rig has no tachometer: no backward-kick",
        "the rig has no tachometer: no speed-disagreement",
    ]
    assert lines[0].endswith("(4 of 5): start.hall.cw, start.hall.ccw, start.back-emf.cw, "
                             "start.back-emf.ccw")  # fmt: skip
    assert "plain" not in "".join(lines)
    assert "start.hall.cw and " not in lines[0]
    (many, _) = not_judged(items * 4, bare)
    assert many.endswith("and 6 more")


def test_a_tachometer_without_direction_judges_none(write, rig):
    shaft = rig.tachometer.model_copy(update={"senses_direction": False})
    blind = rig.model_copy(update={"tachometer": shaft})
    text = PLAN.replace("speed-disagreement: none", "direction-agreement: {exactly: 1}")
    (kick, direction) = not_judged(expand(load_plan(write(text, "p.yaml")), blind, units()), blind)
    assert kick.startswith(f"{NO_DIRECTION}: no backward-kick; ")
    assert direction.startswith(f"{NO_DIRECTION}: no direction-agreement; ")
    assert direction.endswith("(1 of 5): plain")


def test_items_that_are_not_run_are_not_named_again(plan, rig):
    bare = rig.model_copy(update={"tachometer": None})
    items = tuple(replace(item, lacks="no brake") for item in expand(plan, bare, units()))
    assert list(not_judged(items, bare)) == []


# -- sensing -------------------------------------------------------------------------------------


def test_items_for_a_sensing_that_the_rig_has_not_are_left_out_and_named_once(plan, rig):
    poor = hall_only(rig)
    items = expand(plan, poor, units())
    assert [item.id for item in items] == ["start.hall.cw", "start.hall.ccw", "plain"]
    assert list(left_out(plan, poor)) == [
        "rig dosing-pump has no sensing back-emf (board.sensing: hall): 2 of 5 items of plan demo "
        "are left out: start.back-emf.cw, start.back-emf.ccw"
    ]
    assert list(left_out(plan, rig)) == []
    assert next(iter(foretold([plan], items, poor))) == next(left_out(plan, poor))


def test_mistakes_in_what_is_left_stay_mistakes(write, rig):
    text = PLAN.replace("speed: 1000 rpm\n    bands", "speed: 90000 rpm\n    bands")
    with pytest.raises(PlanError, match="90000 rpm lies outside"):
        expand(load_plan(write(text, "p.plan.yaml")), hall_only(rig), units())


def test_a_plan_of_which_nothing_is_left_is_refused(write, rig):
    text = PLAN.replace("[hall, back-emf]", "[back-emf]").split("  - id: plain")[0]
    file = write(text, "p.plan.yaml")
    with pytest.raises(PlanError, match="2 of 2 items of plan demo are left out") as caught:
        expand(load_plan(file), hall_only(rig), units())
    assert caught.value.line == 5


# -- a series ------------------------------------------------------------------------------------


def test_how_many_starts_a_series_takes_is_foretold(write, rig):
    text = PLAN + "    success: {sequential: {good: 1 %, bad: 5 %}}\n"
    items = expand(load_plan(write(text, "p.plan.yaml")), rig, units())
    (line,) = foretold([], items, rig)
    assert line.startswith("plain: sequential test of the failure rate, 1 % against 5 %: about ")
    assert "a fixed plan of the same risks takes 181" in line


# -- reading both --------------------------------------------------------------------------------


def test_a_plan_is_read_with_the_rig_it_names_or_another(write, rig_file):
    other = rig_file("rig: dosing-pump", "rig: other")
    write(PLAN.replace("plan: demo", "plan: demo\nrig: rigs/rig.yaml"), "named.plan.yaml")
    found = collect(other.parents[1] / "named.plan.yaml")
    assert (found.rig.rig, len(found.items)) == ("other", 5)
    assert found.rig_file.samefile(other)
    bare = write(PLAN, "bare.plan.yaml")
    assert collect(bare, other).rig.rig == "other"
    with pytest.raises(PlanError, match=r"bare\.plan\.yaml:1: names no rig: add"):
        collect(bare)


def test_the_rig_may_be_read_by_whoever_keeps_it(write, rig):
    asked = []

    def load(path):
        asked.append(path)
        return rig

    file = write(PLAN, "bare.plan.yaml")
    assert collect(file, "somewhere.yaml", load=load).rig is rig
    assert [path.name for path in asked] == ["somewhere.yaml"]
