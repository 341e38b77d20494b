"""Scenarios written in Python: manoeuvres combined freely, measured and judged."""

from types import SimpleNamespace

import pytest

from hil.core.conditions import Conditions
from hil.core.drive import Fault, Sensing
from hil.core.errors import BenchError, LinkError, NotOffered, ScenarioError
from hil.core.verdict import Doubt, Verdict
from hil.measures.catalogue import measure
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
        with pytest.raises(ScenarioError, match="call start first"):
            call(1.0)
    script.start(1000.0, hold=0.1)
    script.rest()
    with pytest.raises(ScenarioError, match="call start first"):
        script.reversal(1000.0)


def test_an_unsafe_reversal_is_refused_before_the_command(kit: Kit, rig) -> None:
    limits = rig.limits.model_copy(update={"dc_link_voltage": 26.0})
    script = Script(kit.bench, rig.model_copy(update={"limits": limits}))
    script.prepare()
    script.start(2000.0, hold=0.1)
    with pytest.raises(BenchError, match="refused"):
        script.reversal(1000.0)
    assert not [call for call in kit.journal if call.startswith("board set-speed")]


def test_manoeuvres_go_on_from_what_primitive_steps_did(kit: Kit, script: Script) -> None:
    script.start(2000.0, hold=0.1)
    script.steps.set_speed(-1500.0)
    script.steps.wait_for_speed(-1500.0, tolerance=5.0, within=5.0)
    script.speed_step(1000.0, hold=0.1)
    assert kit.board.target == -1000.0
    script.steps.stop()
    with pytest.raises(ScenarioError, match="call start first"):
        script.speed_step(1200.0)
    script.steps.start(800.0)
    script.reversal(700.0, hold=0.1)
    assert kit.board.target == -700.0


def test_supply_and_sensing_that_primitive_steps_set_are_the_conditions(
    kit: Kit, script: Script, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[Conditions] = []
    monkeypatch.setattr(
        "hil.scenarios.script.measure",
        lambda kind, trace, conditions: seen.append(conditions) or measure(kind, trace, conditions),
    )
    script.steps.supply(20.0)
    script.steps.ready("back-emf")
    script.start(1000.0, hold=0.1)
    script.rest()
    script.prepare()
    assert "supply prepare 20 V 10 A 46 V" in kit.journal  # as it was left
    assert (seen[0].supply_voltage, seen[0].sensing) == (20.0, Sensing.BACK_EMF)
    assert (script.steps.voltage, script.steps.sensing) == (20.0, "back-emf")


@pytest.mark.parametrize("low", [True, False])
def test_a_reversal_by_steps_is_held_against_the_supply_of_now(kit: Kit, rig, low: bool) -> None:
    limits = rig.limits.model_copy(update={"dc_link_voltage": 32.0})
    script = Script(kit.bench, rig.model_copy(update={"limits": limits}))
    script.prepare(voltage=20.0)
    script.steps.start(2000.0)
    if not low:
        script.steps.supply(30.0)
    kit.journal.clear()
    if low:
        script.steps.reverse()
        assert "board set-speed -2000" in kit.journal
    else:
        for call in (script.steps.reverse, lambda: script.steps.start(-900.0)):
            with pytest.raises(BenchError, match=r"could raise the DC link from 30 V"):
                call()
        assert not [call for call in kit.journal if call.startswith("board")]


def test_a_refused_speed_is_not_the_one_that_the_shaft_has(kit: Kit, script: Script) -> None:
    script.start(1000.0, hold=0.1)
    kit.board.refuses.add("set-speed")
    with pytest.raises(ManoeuvreFailed):
        script.steps.set_speed(2000.0)
    assert script.steps.set_point == 1000.0


def test_a_direction_that_is_none_is_told_with_those_there_are(script: Script) -> None:
    with pytest.raises(ScenarioError, match="direction: expected 'cw' or 'ccw', found 'left'"):
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
    with pytest.raises(ScenarioError, match="judge: success: a band needs at least one"):
        script.judge(measured["success"])


def asks(script: Script, call: str) -> str:
    """What is said of a call that a scenario makes."""
    with pytest.raises(ScenarioError) as caught:
        eval(call, {"script": script, "steps": script.steps})
    return str(caught.value)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        ("script.prepare(sensing='hal')", "sensing: expected 'hall' or 'back-emf', found 'hal'"),
        ("script.prepare(sensing=3)", "sensing: expected 'hall' or 'back-emf', found 3"),
        (
            "script.prepare(voltage=240.0)",
            "voltage: expected at most 42 V (max-voltage of the supply of rig dosing-pump), "
            "found 240 V",
        ),
        ("script.prepare(voltage=0.0)", "voltage: expected more than 0 V, found 0 V"),
        ("script.prepare(voltage='24 V')", "voltage: expected a number in V, found '24 V'"),
        (
            "script.start(20000.0)",
            "speed: expected 500 to 4000 rpm (min-speed and max-speed of the motor of rig "
            "dosing-pump), found 20000 rpm",
        ),
        ("script.start(float('nan'))", "speed: expected a number in rpm, found nan"),
        ("script.start(True)", "speed: expected a number in rpm, found True"),
        ("script.start(-1000.0)", "found -1000 rpm"),
        ("script.start(1000.0, within=0)", "within: expected more than 0 s, found 0 s"),
        ("script.start(1000.0, tolerance=-5)", "tolerance: expected more than 0 %, found -5 %"),
        ("script.start(1000.0, hold=-1)", "hold: expected 0 s or more, found -1 s"),
        ("steps.supply(99.0)", "voltage: expected at most 42 V"),
        ("steps.dip(99.0, 1.0)", "voltage: expected at most 42 V"),
        ("steps.dip(20.0, -1.0)", "seconds: expected 0 s or more, found -1 s"),
        ("steps.start(-9000.0)", "speed: expected 500 to 4000 rpm"),
        ("steps.set_speed(10.0)", "speed: expected 500 to 4000 rpm"),
        ("steps.ready('eyes')", "sensing: expected 'hall' or 'back-emf', found 'eyes'"),
        ("steps.brake(50.0)", "torque: expected at most 2 N*m (max-torque of the brake of rig "),
        ("steps.brake(0.0)", "torque: expected more than 0 N*m, found 0 N*m"),
        ("steps.set_line('hall-z', True)", "line: expected 'hall-a', "),
        (
            "steps.expect_refusal('strat', 1.0)",
            "command: expected 'start', 'set-speed', 'sensing' or 'clear', found 'strat'",
        ),
        ("steps.expect_refusal('sensing', 'x')", "value: expected 'hall' or 'back-emf', found 'x'"),
        ("steps.expect_refusal('start', 'fast')", "value: expected a number in rpm, found 'fast'"),
    ],
)
def test_what_no_plan_could_ask_for_is_a_mistake_of_the_test_and_nothing_is_done(
    kit: Kit, script: Script, call: str, said: str
) -> None:
    kit.journal.clear()
    assert said in asks(script, call)
    assert kit.journal == []


@pytest.mark.parametrize(
    ("call", "said"),
    [
        ("script.reversal(9000.0)", "speed: expected 500 to 4000 rpm"),
        ("script.speed_step(1.0)", "speed: expected 500 to 4000 rpm"),
        ("script.stall(99.0)", "torque: expected at most 2 N*m"),
        ("script.stall(0.5, watch=-1)", "watch: expected 0 s or more"),
        ("script.reversal(1000.0, within='2 s')", "within: expected a number in s, found '2 s'"),
    ],
)
def test_the_same_holds_of_a_turning_shaft(kit: Kit, script: Script, call: str, said: str) -> None:
    script.start(1000.0, hold=0.1)
    kit.journal.clear()
    assert said in asks(script, call)
    assert not [call for call in kit.journal if call.startswith(("board", "brake", "supply"))]


def test_limits_of_the_rig_may_be_asked_for_and_a_refusal_beyond_them(kit: Kit, rig) -> None:
    script = Script(kit.bench, rig)
    script.prepare(voltage=rig.supply.max_voltage)
    script.start(rig.motor.max_speed, hold=0.0)
    script.speed_step(rig.motor.min_speed, hold=0.0)
    with pytest.raises(ManoeuvreFailed, match="was obeyed"):  # by this board it is
        script.steps.expect_refusal("set-speed", 99999.0)


def test_what_the_rig_has_not_is_no_mistake_but_cannot_be_run(kit: Kit, rig) -> None:
    board = rig.board.model_copy(update={"sensing": ("hall",)})
    script = Script(kit.bench, rig.model_copy(update={"board": board, "switch": None}))
    with pytest.raises(
        NotOffered, match=r"rig dosing-pump has no sensing back-emf \(board.sensing"
    ):
        script.prepare(sensing="back-emf")
    with pytest.raises(NotOffered, match="no signal switch wired on rig dosing-pump to open and"):
        script.steps.set_line("hall-a", False)
    with pytest.raises(ScenarioError, match="line: expected 'hall-a', "):
        script.steps.set_line("hall-z", False)
    assert kit.journal == []


def test_a_measure_that_there_is_not_is_told_with_its_nearest_name(script: Script) -> None:
    measured = script.start(1000.0, hold=0.1)
    with pytest.raises(ScenarioError) as caught:
        measured["time-to-sped"]
    assert str(caught.value) == (
        "measured: expected a measure of a start, found 'time-to-sped'; "
        "did you mean 'time-to-speed'?"
    )
    with pytest.raises(ScenarioError, match="found 'xyzzy'; known are "):
        measured["xyzzy"]
    assert measured.get("time-to-sped") is None
    assert "time-to-sped" not in measured


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"low": "1"}, "low: expected a number, found '1'"),
        ({"high": float("nan")}, "high: expected a number, found nan"),
        ({"low": 2, "high": 1}, "judge: success: min 2 lies above max 1"),
        ({"low": 1, "rule": "gaurded"}, "rule: expected 'simple' or 'guarded', found 'gaurded'"),
    ],
)
def test_a_band_that_is_none_is_a_mistake_of_the_test(script: Script, arguments, said) -> None:
    measured = script.start(1000.0, hold=0.1)
    with pytest.raises(ScenarioError) as caught:
        script.judge(measured["success"], **arguments)
    assert said in str(caught.value)
    assert script.judgements == []


def test_only_a_measure_can_be_judged(script: Script) -> None:
    with pytest.raises(ScenarioError, match="judge: expected a measure of a manoeuvre, found 1"):
        script.judge(1.5, high=2.0)


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


def test_a_script_waits_until_parts_are_cool_before_its_trace_begins(kit: Kit, rig, hot) -> None:
    hot(60.0)
    script = Script(kit.bench, rig)
    script.prepare()
    script.start(1000.0, hold=0.1)
    assert script.traces[0].end < 10.0
    assert any("cooled down with the supply off: 85.0 to 45.0 degC" in one for one in script.log)


def test_a_script_that_measured_everything_leaves_no_further_trace(script: Script) -> None:
    script.start(1000.0, hold=0.1)
    script.finish()
    assert len(script.traces) == 1


def test_without_the_speed_of_before_a_manoeuvre_ends(kit: Kit, script: Script) -> None:
    script.start(1000.0, hold=0.1)
    kit.board.trip(Fault.HALL)
    with pytest.raises(ManoeuvreFailed, match="entry speed"):
        script.speed_step(2000.0, within=0.3)


def test_a_speed_that_its_supply_cannot_give_is_doubted_and_noted(kit: Kit, rig) -> None:
    script = Script(kit.bench, rig)
    script.prepare(voltage=20.0)
    script.start(4000.0, hold=0.2)
    assert script.doubts() == []
    script.steps.supply(15.0)  # while it turns so fast
    script.steps.set_speed(3900.0)
    first, second = script.doubts()
    assert {first.what, second.what} == {"test and rig file"}
    assert first.text.startswith("4000 rpm is out of reach at 15 V: ")
    assert second.text.startswith("3900 rpm is out of reach at 15 V: ")
    script.steps.set_speed(3900.0)
    assert len(script.doubts()) == 2
    assert any(first.text in line for line in script.steps.log)


def test_a_link_profile_that_does_not_fit_is_seen_before_the_manoeuvre_has_ended(
    kit: Kit, rig, monkeypatch
) -> None:
    doubt = Doubt("link profile", "firmware and profile disagree: x")
    monkeypatch.setattr("hil.scenarios.script.link_doubts", lambda *_: iter([doubt]))
    script = Script(kit.bench, rig)
    assert script.doubts() == []
    script.prepare()
    assert script.doubts() == [doubt]
    script.start(1000.0, hold=0.2)
    script.finish()
    assert script.doubts() == [doubt]
