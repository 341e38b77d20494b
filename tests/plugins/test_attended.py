"""Steps that take a person, in whole sessions on the simulated bench."""

import pytest

from hil.core.verdict import Verdict

STALL = """
  - id: held
    scenario: stall
    speed: 1000 rpm
    brake-torque: 1 N*m
    expect: trip
    bands: {tripped: {exactly: 1}}
  - id: free
    scenario: start
    speed: 1000 rpm
    hold: 0.2 s
    bands: {success: {exactly: 1}}
"""
BY_HAND = "brake: {driver: attended, answer-within: 3 s}\n"


def person(answer: str) -> str:
    return f"{BY_HAND}twin: {{operator: {{answer: {answer}}}}}\n"


def verdicts(lab) -> dict[str, tuple[Verdict, str]]:
    return {found.item: (found.verdict, found.reason) for found in lab.record.results}


def test_an_unattended_run_leaves_out_what_takes_a_person_and_says_so(lab) -> None:
    result = lab.run(lab.plan(STALL, rig=lab.rig(person("done"))), "-rs")
    assert "items that need one are not run" not in result.stdout.str()  # a person could do it
    result.assert_outcomes(passed=1, skipped=1)
    verdict, reason = verdicts(lab)["held"]
    assert verdict is Verdict.NOT_RUN
    assert "a person must hold the shaft" in reason
    assert "--hil-attended=off" in reason
    assert result.ret == 0
    held = next(one for one in lab.record.results if one.item == "held")
    assert held.steps == ()  # nothing was energised for it
    assert len(lab.worlds) == 1  # nor was a bench opened, but for the other one
    assert held.conditions["brake"] == "by hand"


def test_where_nothing_else_is_to_be_run_no_bench_is_asked_for(lab) -> None:
    held = STALL.partition("  - id: free")[0]
    nowhere = ("--hil-board=/dev/ttyUSB99", "--hil-supply=TCPIP::127.0.0.1::1::SOCKET")
    for attended, why in (("off", "--hil-attended=off"), ("on", "standard input is no terminal")):
        plan = lab.plan(held, rig=lab.rig(BY_HAND))
        result = lab.run(plan, *nowhere, f"--hil-attended={attended}", bench="hardware")
        result.assert_outcomes(skipped=1)
        assert result.ret == 0
        verdict, reason = verdicts(lab)["held"]
        assert verdict is Verdict.NOT_RUN
        assert reason.startswith("attended: no brake is wired, so that a person must hold the")
        assert why in reason


def test_no_terminal_is_told_and_nothing_is_run(lab) -> None:
    rig = lab.rig(BY_HAND)
    lab.run(lab.plan(STALL, rig=rig), "--hil-attended=on").assert_outcomes(passed=1, skipped=1)
    assert "the simulated bench has nobody to hold it" in verdicts(lab)["held"][1]


def test_a_person_who_holds_the_shaft_makes_the_drive_trip(lab) -> None:
    rig = lab.rig(person("done"))
    lab.run(lab.plan(STALL, rig=rig), "--hil-attended=on").assert_outcomes(passed=2)
    held = next(one for one in lab.record.results if one.item == "held")
    assert held.verdict is Verdict.PASS
    steps = "\n".join(held.steps)
    assert "operator asked: Hold the shaft with a tool, as firmly as 1 N*m" in steps
    assert "operator asked: Take the tool off the shaft" in steps
    assert steps.count("operator: answered done after") == 2
    trip = next(one for one in held.measures if one.name == "trip-time-from-brake")
    assert trip.uncertainty > 0.05  # nobody knows when exactly the person held it


@pytest.mark.parametrize(
    ("answer", "words"),
    [("cannot", "the operator cannot"), ("nothing", "nobody answered within 3 s")],
)
def test_a_person_who_does_not_do_it_is_no_pass_and_no_fault(lab, answer, words) -> None:
    rig = lab.rig(person(answer))
    result = lab.run(lab.plan(STALL, rig=rig), "--hil-attended=on")
    result.assert_outcomes(passed=1, skipped=1)
    verdict, reason = verdicts(lab)["held"]
    assert verdict is Verdict.NOT_RUN
    assert words in reason
    assert lab.left_on == [False, False]


def test_a_person_who_stops_it_ends_the_run_with_the_supply_off(lab) -> None:
    rig = lab.rig(person("stop"))
    result = lab.run(lab.plan(STALL, rig=rig), "--hil-attended=on")
    result.assert_outcomes(failed=1, skipped=1)
    found = verdicts(lab)
    assert found["held"][0] is Verdict.BENCH_FAULT
    assert "immediate stop" in found["held"][1]
    assert found["free"][0] is Verdict.NOT_RUN
    assert "immediate stop" in found["free"][1]
    held = next(one for one in lab.record.results if one.item == "held")
    assert any("emergency stop: supply off, read back" in step for step in held.steps)
    assert lab.left_on[0] is False


def test_the_ini_file_can_attend(lab) -> None:
    lab.pytester.makeini("[pytest]\nhil_attended = on\n")
    rig = lab.rig(person("done"))
    lab.run(lab.plan(STALL, rig=rig)).assert_outcomes(passed=2)


def test_a_step_list_asks_too(lab) -> None:
    rig = lab.rig(person("done"))
    steps = """
  - id: listed
    scenario: steps
    steps:
      - start: 1000 rpm
      - wait: 0.5 s
      - brake: 1 N*m
      - {expect-fault: [stall, over-current], within: 2 s}
      - release
    bands: {fault-count: {exactly: 1}}
"""
    plan = lab.plan(steps, rig=rig)
    lab.run(plan).assert_outcomes(skipped=1)
    lab.run(plan, "--hil-attended=on").assert_outcomes(passed=1)
    assert sum("operator: answered done" in step for step in lab.result.steps) == 2


def test_a_python_scenario_is_skipped_where_nobody_is_there(lab) -> None:
    rig = lab.rig(BY_HAND)
    (lab.path / "test_hand.py").write_text(
        f"import pytest\npytestmark = pytest.mark.hil(rig={str(rig)!r})\n"
        "def test_it(hil_script):\n"
        '    hil_script.prepare(voltage=24.0, sensing="hall")\n'
        "    hil_script.start(1000.0, hold=0.2)\n"
        "    hil_script.stall(1.0)\n",
        encoding="utf-8",
    )
    lab.run("test_hand.py").assert_outcomes(skipped=1)
    assert lab.result.verdict is Verdict.NOT_RUN
    assert "attended: " in lab.result.reason


def test_a_load_that_a_hand_cannot_keep_is_not_run_and_the_rest_is(lab) -> None:
    rig = lab.rig(BY_HAND)
    no_trip = STALL.replace("expect: trip", "expect: no-trip")
    result = lab.run(lab.plan(no_trip, rig=rig), "-rs")
    result.assert_outcomes(passed=1, skipped=1)
    assert result.ret == 0
    found = verdicts(lab)
    assert found["free"][0] is Verdict.PASS
    verdict, reason = found["held"]
    assert verdict is Verdict.NOT_RUN
    assert reason.startswith("no brake wired on rig ")
    assert "no person keeps to 1 N*m (brake-torque)" in reason
    held = next(one for one in lab.record.results if one.item == "held")
    assert (held.steps, held.traces, held.judgements) == ((), (), ())
    assert "brake" not in held.conditions
    result.stdout.fnmatch_lines(
        [
            "no brake wired on rig *: items that need one are not run (1 of 2): held",
            "*not run: no brake wired on rig *",
        ]
    )


def test_a_person_at_the_terminal_does_not_make_a_kept_load(lab) -> None:
    no_trip = STALL.replace("expect: trip", "expect: no-trip")
    lab.run(lab.plan(no_trip, rig=lab.rig(person("done"))), "--hil-attended=on")
    assert verdicts(lab)["held"][0] is Verdict.NOT_RUN
