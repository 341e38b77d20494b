"""Scenarios written in Python: manoeuvres combined freely, measured and judged."""

from types import SimpleNamespace

import pytest

from hil.core.drive import Fault
from hil.core.errors import BenchError, LinkError
from hil.core.verdict import Verdict
from hil.scenarios.script import Script
from hil.scenarios.steps import ManoeuvreFailed

Kit = SimpleNamespace


@pytest.fixture
def script(kit: Kit, rig) -> Script:
    made = Script(kit.bench, rig)
    made.prepare()
    return made


def test_preparing_takes_the_rigs_own_voltage_and_first_sensing(kit: Kit, script: Script) -> None:
    assert "supply prepare 24 V 10 A 46 V" in kit.journal
    assert "board select-sensing hall" in kit.journal
    script.rest()
    script.prepare(voltage=20.0, sensing="back-emf")
    assert "supply prepare 20 V 10 A 46 V" in kit.journal
    assert "board select-sensing back-emf" in kit.journal


def test_manoeuvres_follow_on_from_one_another(kit: Kit, script: Script) -> None:
    kit.journal.clear()
    script.start(1000.0, direction="ccw", hold=0.2)
    script.speed_step(1500.0, hold=0.2)
    script.reversal(800.0, hold=0.2)
    script.speed_step(1200.0, hold=0.2)
    assert [call for call in kit.journal if call.startswith("board")] == [
        "board start -1000",
        "board set-speed -1500",
        "board set-speed 800",
        "board set-speed 1200",
    ]
    assert len(script.traces) == 4
    assert sorted(set(script.parts)) == [1, 2, 3, 4]
    assert len(script.parts) == len(script.measures)


def test_measures_come_back_by_name(script: Script) -> None:
    measured = script.start(2000.0, hold=0.4)
    assert measured["success"].value == 1.0
    assert measured["time-to-speed"].unit == "s"


def test_a_stall_trips_clears_and_leaves_the_shaft_turning(kit: Kit, script: Script) -> None:
    script.start(1000.0, hold=0.2)
    kit.clock.at(1.0, lambda: kit.board.trip(Fault.STALL))
    measured = script.stall(0.8)
    assert measured["tripped"].value == 1.0
    assert kit.board.target == 1000.0


def test_manoeuvres_of_a_turning_shaft_need_one(script: Script) -> None:
    for call in (script.reversal, script.speed_step, script.stall):
        with pytest.raises(BenchError, match="call start first"):
            call(1.0)
    script.start(1000.0, hold=0.1)
    script.rest()
    with pytest.raises(BenchError, match="call start first"):
        script.reversal(1000.0)


def test_an_unsafe_reversal_is_refused_before_the_command(kit: Kit, rig) -> None:
    limits = rig.limits.model_copy(update={"dc_link_voltage": 26.0})
    script = Script(kit.bench, rig.model_copy(update={"limits": limits}))
    script.prepare()
    script.start(2000.0, hold=0.1)
    with pytest.raises(BenchError, match="refused"):
        script.reversal(1000.0)
    assert not [call for call in kit.journal if call.startswith("board set-speed")]


def test_a_direction_that_is_none_is_told_with_those_there_are(script: Script) -> None:
    with pytest.raises(ValueError, match="direction 'left': expected cw or ccw"):
        script.start(1000.0, direction="left")


def test_judging_records_and_answers(script: Script) -> None:
    measured = script.start(2000.0, hold=0.4)
    assert script.judge(measured["success"], low=1.0) is Verdict.PASS
    assert script.judge(measured["time-to-speed"], high=0.01, requirement="REQ-7") is Verdict.FAIL
    assert [j.verdict for j in script.judgements] == [Verdict.PASS, Verdict.FAIL]
    assert script.judgements[1].band.requirement == "REQ-7"
    assert {j.repeat for j in script.judgements} == {1}


def test_a_band_without_limits_is_refused(script: Script) -> None:
    measured = script.start(1000.0, hold=0.1)
    with pytest.raises(ValueError, match="at least one"):
        script.judge(measured["success"])


def test_steps_between_manoeuvres_stay_in_the_log(script: Script) -> None:
    script.start(1000.0, hold=0.1)
    script.steps.wait(0.1)
    script.speed_step(1200.0, hold=0.1)
    script.steps.stop()
    script.finish()
    text = "\n".join(script.log)
    wanted = ["supply on at 24 V", "[1 start]", "wait 0.1 s", "[2 speed-step]", "stop"]
    places = [text.index(word) for word in wanted]
    assert places == sorted(places)
    assert text.count("supply on") == 1


def test_a_manoeuvre_that_ends_early_leaves_its_trace(kit: Kit, script: Script) -> None:
    script.start(1000.0, hold=0.1)
    kit.clock.at(0.6, lambda: setattr(kit.board, "broken", "unplugged"))
    with pytest.raises(LinkError):
        script.speed_step(1500.0, hold=1.0)
    assert len(script.traces) == 1
    script.finish()
    assert len(script.traces) == 2
    assert script.traces[1].mark("set-point") is not None
    script.finish()
    assert len(script.traces) == 2


def test_a_script_that_measured_everything_leaves_no_further_trace(script: Script) -> None:
    script.start(1000.0, hold=0.1)
    script.finish()
    assert len(script.traces) == 1


def test_without_the_speed_of_before_a_manoeuvre_ends(kit: Kit, script: Script) -> None:
    script.start(1000.0, hold=0.1)
    kit.board.trip(Fault.HALL)
    with pytest.raises(ManoeuvreFailed, match="entry speed"):
        script.speed_step(2000.0, within=0.3)
