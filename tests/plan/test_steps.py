"""Primitive steps as written in a plan."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.drive import DriveState
from hil.core.errors import PlanError
from hil.plan import steps
from hil.plan.load import load_plan
from hil.plan.read_steps import read_step
from hil.plan.steps import written


@pytest.mark.parametrize(
    ("raw", "step"),
    [
        ({"supply": "on"}, steps.SupplyOn()),
        ({"supply": "off"}, steps.SupplyOff()),
        ({"supply": "20 V"}, steps.SupplyOn(20.0)),
        ({"start": "2000 rpm"}, steps.Start(2000.0)),
        ({"set-speed": "3 krpm"}, steps.SetSpeed(3000.0)),
        ("reverse", steps.Reverse()),
        ("stop", steps.Stop()),
        ({"brake": "50 mN*m"}, steps.BrakeOn(0.05)),
        ("release", steps.Release()),
        ("clear", steps.Clear()),
        ({"wait": "500 ms"}, steps.Wait(0.5)),
        ({"hold": "1 s"}, steps.Hold(1.0)),
        ({"wait-for": {"speed": "2000 rpm"}, "within": "2 s"}, steps.WaitForSpeed(2000.0, 2.0)),
        (
            {"wait-for": {"state": "run"}, "within": "2 s"},
            steps.WaitForState(DriveState.RUN, 2.0),
        ),
        (
            {"expect-fault": ["over-current", "stall"], "within": "1 s"},
            steps.ExpectFault(("over-current", "stall"), 1.0),
        ),
        ({"expect-fault": "hall", "within": "1 s"}, steps.ExpectFault(("hall",), 1.0)),
        ({"dip": "18 V", "for": "200 ms"}, steps.Dip(18.0, 0.2)),
        ({"open": "hall-a"}, steps.SetLine("hall-a", False)),
        ({"close": "temperature-sensor"}, steps.SetLine("temperature-sensor", True)),
        ({"silence": "3 s"}, steps.Silence(3.0)),
        ({"expect-still": "0.5 s"}, steps.ExpectStill(0.5)),
        ({"expect-refusal": "clear"}, steps.ExpectRefusal("clear")),
        ({"expect-refusal": {"start": "9 krpm"}}, steps.ExpectRefusal("start", 9000.0)),
        ({"expect-refusal": {"set-speed": "-1 rpm"}}, steps.ExpectRefusal("set-speed", -1.0)),
        ({"expect-refusal": {"sensing": "hall"}}, steps.ExpectRefusal("sensing", "hall")),
    ],
    ids=str,
)
def test_steps(raw, step):
    assert read_step(raw) == step
    assert written(step) == (raw if isinstance(raw, str) else next(iter(raw)))


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        ("spin", "unknown step 'spin'"),
        ("revers", "unknown step 'revers'; did you mean 'reverse'?"),
        ("start", "start needs a value, such as 'start: 2000 rpm'"),
        ({"strat": "2000 rpm"}, "unknown step 'strat'; did you mean 'start'?"),
        ({"stop": "now"}, "stop takes no value; write it as the plain word 'stop'"),
        ({"start": "2000 rpm", "wait": "1 s"}, "expected one step an entry, found start, wait"),
        ({"within": "1 s"}, "expected one step an entry, found only within"),
        ({}, "expected a step such as 'start: 2000 rpm'"),
        (None, "found nothing"),
        (["start"], "found a list"),
        ({"start": "2000 V"}, "expected a speed with its unit"),
        ({"start": "-2000 rpm"}, "expected a speed above zero, found '-2000 rpm'"),
        ({"start": 2000}, "found 2000 without unit"),
        ({"supply": "maybe"}, "supply: expected on, off or a voltage, found 'maybe'"),
        ({"dip": "18 V"}, "dip needs 'for', such as 'for: 2 s'"),
        (
            {"dip": "18 V", "within": "1 s"},
            "dip takes no 'within'; only wait-for and expect-fault do",
        ),
        ({"wait": "1 s", "for": "1 s"}, "wait takes no 'for'; only dip, glitch and sweep do"),
        ({"dip": "0 V", "for": "1 s"}, "expected a voltage above zero"),
        ({"open": 3}, "open: expected the name of a line, found the number 3"),
        ({"silence": "3 V"}, "expected a time with its unit"),
        ({"expect-still": "0 s"}, "expected a time above zero"),
        ({"expect-refusal": "start"}, "expect-refusal: expected clear or one of start, set-speed"),
        ({"expect-refusal": {"strat": "1 rpm"}}, "unknown command 'strat'; did you mean 'start'?"),
        ({"expect-refusal": {"sensing": "eyes"}}, "expected hall or back-emf, found 'eyes'"),
        ({"expect-refusal": {"start": "1 V"}}, "expected a speed with its unit"),
        ({"supply": True}, "supply: expected on, off or a voltage, found true"),
        ({"brake": "0 N*m"}, "expected a torque above zero"),
        ({"wait": "1 s", "within": "2 s"}, "wait takes no 'within'"),
        ({"wait-for": {"speed": "2000 rpm"}}, "wait-for needs 'within'"),
        ({"wait-for": "2000 rpm", "within": "1 s"}, "wait-for: expected one of speed, state"),
        ({"wait-for": {"sped": "1 rpm"}, "within": "1 s"}, "unknown key 'sped'; did you mean"),
        ({"wait-for": {"state": "runn"}, "within": "1 s"}, "unknown state 'runn'; did you mean"),
        ({"wait-for": {"state": ["run"]}, "within": "1 s"}, "unknown state"),
        (
            {"expect-fault": ["stal"], "within": "1 s"},
            "unknown fault 'stal'; did you mean 'stall'?",
        ),
        ({"expect-fault": [], "within": "1 s"}, "expected at least one name"),
        ({"expect-fault": [["stall"]], "within": "1 s"}, "unknown fault"),
        ({"expect-fault": ["stall"], "within": "soon"}, "expected a time with its unit"),
    ],
    ids=str,
)
def test_refused(raw, said):
    with pytest.raises(ValueError, match=r"\w") as caught:
        read_step(raw)
    assert said in str(caught.value)


plain = st.none() | st.booleans() | st.integers() | st.text(max_size=10)
values = st.recursive(
    plain,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3)
    ),
    max_leaves=6,
)
names = st.sampled_from(
    ["supply", "start", "set-speed", "brake", "wait", "hold", "wait-for", "expect-fault", "within"]
)


@given(values | st.dictionaries(names, values, max_size=3))
def test_anything_is_a_step_or_refused(raw):
    try:
        step = read_step(raw)
    except ValueError:
        return
    assert type(step).__module__ == "hil.plan.steps"


def test_every_bad_step_of_a_list_is_told_where_it_stands(write) -> None:
    text = """\
format: 1
plan: demo
scenarios:
  - id: s
    scenario: steps
    bands: {fault-count: {exactly: 0}}
    steps:
      - start: 900 rpm
      - strat: 900 rpm
      - wait: 2
      - stop
      - brake: 1 V
"""
    with pytest.raises(PlanError) as caught:
        load_plan(write(text))
    told = re.findall(r":(\d+:\d+): scenarios\[s\]\.(steps\[\d\]): ", str(caught.value))
    assert told == [("9:9", "steps[2]"), ("10:9", "steps[3]"), ("12:9", "steps[5]")]


@pytest.mark.parametrize(
    ("value", "line"),
    [
        ("70 degC", "temperature-70"),
        ("open", "temperature-open"),
        ("short", "temperature-short"),
        ("sensor", ""),
    ],
)
def test_what_stands_in_for_the_temperature_sensor(value, line):
    step = read_step({"temperature": value})
    assert step == steps.StandIn(line)
    assert written(step) == "temperature"


@pytest.mark.parametrize("value", [70, "70 V", "torn", None])
def test_what_cannot_stand_in_for_it(value):
    with pytest.raises(ValueError, match=r"^temperature: expected a temperature .*sensor itself$"):
        read_step({"temperature": value})


def test_a_glitch_once_and_many_times():
    assert read_step({"glitch": "hall-b", "for": "0.2 ms"}) == steps.Glitch("hall-b", 2e-4)
    many = {"line": "hall-b", "times": 12, "every": "11 ms"}
    assert read_step({"glitch": many, "for": "0.2 ms"}) == steps.Glitch("hall-b", 2e-4, 12, 0.011)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ({"line": "hall-b", "often": 3}, "unknown key 'often'"),
        ({"line": "hall-b", "times": 0}, "a number of times from 1"),
        ({"line": "hall-b", "times": True}, "a number of times from 1"),
        ({"line": "hall-b", "times": 2}, "need 'every' with more than 0.2 ms"),
        ({"line": "hall-b", "times": 2, "every": "0.1 ms"}, "need 'every'"),
        ({"times": 2, "every": "1 ms"}, "expected the name of a line"),
        (3, "expected the name of a line"),
    ],
)
def test_what_is_no_glitch(value, said):
    with pytest.raises(ValueError, match=f"^glitch: .*{said}"):
        read_step({"glitch": value, "for": "0.2 ms"})
