"""A protection: the trip, its name, whether it stays, what ends it, what moves meanwhile."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.drive import DriveState, Fault
from hil.core.measure import Outcome
from hil.core.trace import Mark

RUN, FAULT, IDLE = DriveState.RUN, DriveState.FAULT, DriveState.IDLE
HOT = int(Fault.OVER_TEMPERATURE)
#: As `hil.scenarios.protection` sets them.
MARKS = (
    Mark("command", 0.1), Mark("line-opened", 1.0, 0.0, "temperature-sensor"),
    Mark("line-closed", 1.2), Mark("refused", 1.75), Mark("stop", 1.8), Mark("clear", 2.4),
    Mark("restart", 3.0), Mark("stop", 4.5),
)  # fmt: skip
STATES = ((0.0, RUN), (1.0525, FAULT), (2.4025, IDLE), (3.01, RUN))
FAULTS = ((0.0, 0), (1.0525, HOT), (2.4025, 0))
SPEED = ((0.0, 1000.0), (1.05, 1000.0), (1.3, 0.0), (3.0, 0.0), (3.3, 1000.0), (5.0, 1000.0))


@pytest.fixture
def judged(lab):
    """Measures of a drive that is made too hot at 1 s, unless something is otherwise."""

    def make(*, states=STATES, faults=FAULTS, speed=SPEED, marks=MARKS, **changes):
        scene = lab.Scene(
            end=5.0, speed=lab.ramps(speed), states=states, faults=faults,
        )  # fmt: skip
        asked = {"entry": 1000.0, "target": 1000.0, "trip_expected": True, "faults": HOT}
        trace = replace(scene.trace(), marks=tuple(marks))
        return lab.measures("protection", trace, **{**asked, **changes})

    return make


def test_a_drive_that_does_all_of_it_right(judged) -> None:
    found = judged()
    expected = {
        "tripped": 1.0, "fault-named": 1.0, "latched": 1.0, "restarts": 0.0, "cleared-by-stop": 0.0,
        "idle-after-clear": 1.0, "recovered": 1.0, "refusals": 1.0, "fault-count": 1.0,
    }  # fmt: skip
    assert {name: found[name].value for name in expected} == expected
    assert found["time-to-fault"].value == pytest.approx(0.0525, abs=0.003)
    # from 1000 rpm at 1.05 s to rest at 1.3 s: 5 % is reached 0.2375 s after the ramp begins
    assert found["time-to-still"].value == pytest.approx(0.05 + 0.2375, abs=0.003)
    assert found["hold-off"].outcome is Outcome.NOT_APPLICABLE


def test_the_hold_off_of_a_drive_that_tries_again(judged) -> None:
    states = ((0.0, RUN), (1.0525, FAULT), (1.4025, RUN), (2.4025, IDLE), (3.01, RUN))
    found = judged(states=states)
    assert found["latched"].value == 0.0
    assert found["restarts"].value == 1.0
    assert found["hold-off"].value == pytest.approx(0.35, abs=0.003)
    assert found["cleared-by-stop"].outcome is Outcome.NOT_APPLICABLE


def test_a_stop_that_clears(judged) -> None:
    found = judged(states=((0.0, RUN), (1.0525, FAULT), (1.9, IDLE), (3.01, RUN)))
    assert found["latched"].value == 1.0
    assert found["cleared-by-stop"].value == 1.0
    assert "left the state fault at 1.9" in found["cleared-by-stop"].detail


def test_a_clear_that_starts_the_motor(judged) -> None:
    moving = (*SPEED[:3], (2.4, 0.0), (2.7, 1000.0), (5.0, 1000.0))
    states = ((0.0, RUN), (1.0525, FAULT), (2.4025, RUN))
    found = judged(states=states, speed=moving)["idle-after-clear"]
    assert found.value == 0.0
    assert found.detail == "the shaft turned at 1000 rpm"
    still = judged(states=states)["idle-after-clear"]
    assert (still.value, still.detail) == (0.0, "state run")


@pytest.mark.parametrize(
    ("faults", "named", "detail"),
    [
        (((0.0, 0), (1.05, HOT | int(Fault.STALL))), 1.0, ""),
        (
            ((0.0, 0), (1.05, int(Fault.STALL)), (1.1, HOT | int(Fault.STALL))),
            0.0,
            "reported first: stall",
        ),
        (((0.0, 0),), 0.0, ""),
    ],
)
def test_the_right_name_comes_first(judged, faults, named, detail) -> None:
    found = judged(faults=faults)["fault-named"]
    assert (found.value, found.detail) == (named, detail)


def test_without_a_trip_nothing_after_it_can_be_told(judged) -> None:
    found = judged(states=((0.0, RUN),), faults=((0.0, 0),))
    assert found["tripped"].value == 0.0
    for name in ("latched", "restarts", "idle-after-clear", "hold-off"):
        assert found[name].outcome is Outcome.NEVER_REACHED, name


def test_the_partner_has_not_to_trip(judged) -> None:
    marks = [mark for mark in MARKS if mark.t < 1.5]
    found = judged(states=((0.0, RUN),), faults=((0.0, 0),), marks=marks, trip_expected=False)
    assert found["tripped"].value == 0.0
    assert found["latched"].outcome is Outcome.NOT_APPLICABLE


def test_a_drive_that_was_in_fault_before_shows_nothing(judged) -> None:
    found = judged(states=((0.0, RUN), (0.5, FAULT)))["tripped"]
    assert found.outcome is Outcome.NOT_APPLICABLE
    assert found.detail == "the drive was in the state fault before anything was done to it"


def test_without_a_cause_there_is_nothing_to_judge(judged) -> None:
    marks = [mark for mark in MARKS if mark.name != "line-opened"]
    assert judged(marks=marks)["tripped"].outcome is Outcome.MISSING_DATA
