"""An item run and judged; whose fault it is when it ends early; safe in every case."""

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from hil.bench.bench import NOT_OFF
from hil.bench.limits import LimitExceeded
from hil.bench.supply_watch import ProtectionTripped
from hil.core.drive import Fault
from hil.core.errors import HarnessError, InstrumentError, LinkError
from hil.core.measure import Measure, Outcome
from hil.core.verdict import Verdict
from hil.scenarios.execute import execute
from hil.scenarios.steps import ManoeuvreFailed

Kit = SimpleNamespace

START = """
  - id: s
    scenario: start
    speed: 2000 rpm
    hold: 0.4 s
    within: 1 s
    matrix: {{repeats: {repeats}}}
    bands: {{{bands}}}
"""


@pytest.fixture
def item(planned):
    def make(bands: str = "success: {exactly: 1}", repeats: int = 1):
        return planned(START.format(bands=bands, repeats=repeats))[0]

    return make


def test_a_good_start_passes_and_says_how_many_bands_held(kit: Kit, item, rig) -> None:
    kept = []
    done = execute(item(), rig, kit.bench, keep=lambda n, trace: kept.append((n, trace)))
    assert (done.verdict, done.reason, done.problem) == (Verdict.PASS, "all 1 bands held", None)
    assert [n for n, _ in kept] == [1]
    assert done.traces == [kept[0][1]]
    assert [span.state for span in done.spans] == ["idle", "run", "idle"]
    assert {m.name: m.value for m in done.measures}["success"] == 1.0
    assert set(done.repeats) == {1}
    assert not kit.supply.on


def test_the_run_down_is_kept_in_the_trace_but_not_measured(kit: Kit, item, rig) -> None:
    done = execute(item(), rig, kit.bench)
    error = {m.name: m for m in done.measures}["steady-error"].value
    assert abs(error) < 10.0  # %; the run-down to 0 would spoil it
    (trace,) = done.traces
    assert abs(trace.channels["witness.speed"].y[-1]) < 5.0


def test_no_repetition_begins_while_parts_are_hot(kit: Kit, item, rig, hot) -> None:
    thermometer = hot(60.0)
    kit.clock.at(110.5, lambda: setattr(thermometer, "rise", 190.0))  # in the midst of the first
    done = execute(item(repeats=2), rig, kit.bench)
    assert done.verdict is Verdict.PASS
    waited = [line for line in done.steps if "cooled down with the supply off: " in line]
    assert [line[:3] for line in waited] == ["[1]", "[2]"]
    assert "85.0 to 45.0 degC in 110 s" in waited[0]
    assert all(trace.end < 10.0 for trace in done.traces), "it is no part of the trace"


def test_parts_that_stay_hot_are_the_benchs_and_nothing_is_energised(
    kit: Kit, item, rig, hot
) -> None:
    hot(60.0, cool_within=30.0)
    done = execute(item(), rig, kit.bench)
    assert done.verdict is Verdict.BENCH_FAULT
    assert done.reason.startswith("bench: the thermometer still reads 69.4 degC after 30 s")
    assert "supply on" not in kit.journal


def test_a_band_that_does_not_hold_fails_with_its_reason(kit: Kit, item, rig) -> None:
    done = execute(item("time-to-speed: {max: 50 ms}, success: {exactly: 1}"), rig, kit.bench)
    assert done.verdict is Verdict.FAIL
    assert done.reason.startswith("firmware: time-to-speed ")
    assert done.problem is None


def test_what_the_supply_cannot_give_is_said_with_the_verdict(kit: Kit, item, rig) -> None:
    motor = rig.motor.model_copy(update={"back_emf_constant": 0.2})
    strange = rig.model_copy(update={"motor": motor})
    beyond = "2000 rpm is out of reach at 24 V: by the rig file the back-EMF alone is 41.9 V there"
    done = execute(item("time-to-speed: {max: 50 ms}"), strange, kit.bench)
    assert done.verdict is Verdict.FAIL
    assert done.reason.startswith("firmware or plan and rig file: time-to-speed ")
    assert f"; {beyond}, " in done.reason
    done = execute(item("success: {exactly: 1}"), strange, kit.bench)
    assert (done.verdict, done.reason) == (Verdict.PASS, "all 1 bands held")
    assert [note.startswith(beyond) for note in done.notes] == [True]


def test_an_error_that_ends_an_item_early_is_told_with_its_doubts(
    kit: Kit, item, rig, monkeypatch
) -> None:
    def stuck(*_args: object) -> None:
        raise ManoeuvreFailed("stuck")

    monkeypatch.setattr("hil.scenarios.execute.act", stuck)
    motor = rig.motor.model_copy(update={"back_emf_constant": 0.2})
    done = execute(item(), rig.model_copy(update={"motor": motor}), kit.bench)
    assert done.verdict is Verdict.FAIL
    assert done.reason.startswith("firmware or plan and rig file: stuck; 2000 rpm is out of reach")


def test_repetitions_are_numbered_everywhere(kit: Kit, item, rig) -> None:
    kept = []
    done = execute(item(repeats=3), rig, kit.bench, keep=lambda n, _: kept.append(n))
    assert kept == [1, 2, 3]
    assert [j.repeat for j in done.judgements] == [1, 2, 3]
    assert sorted(set(done.repeats)) == [1, 2, 3]
    assert len(done.repeats) == len(done.measures)
    assert done.steps[0].startswith("[1] ")
    assert done.steps[-1].startswith("[3] ")
    assert "repetition 1 of 3" in done.steps[0]


def test_a_later_pass_never_erases_a_fail(kit: Kit, item, rig) -> None:
    """The first of two starts does not get there, the second does."""
    kit.board.RATE = 500.0

    def keep(_repeat, _trace):
        kit.board.RATE = 8000.0

    done = execute(item(repeats=2), rig, kit.bench, keep=keep)
    assert [j.verdict for j in done.judgements] == [Verdict.FAIL, Verdict.PASS]
    assert done.verdict is Verdict.FAIL


def test_a_rate_of_success_is_judged_over_all_repetitions(kit: Kit, planned, rig) -> None:
    (item,) = planned("""
  - id: s
    scenario: start
    speed: 2000 rpm
    hold: 0.1 s
    matrix: {repeats: 4}
    success: {at-least: 40 %, confidence: 90 %}
""")
    done = execute(item, rig, kit.bench)
    assert done.verdict is Verdict.PASS, done.reason
    assert (done.judgements[-1].repeat, done.repeats[-1]) == (0, 0)
    assert done.measures[-1].unit == "%"


def test_repetitions_without_data_are_undecided_and_no_failures(
    kit: Kit, planned, rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    (item,) = planned("""
  - id: s
    scenario: start
    speed: 2000 rpm
    hold: 0.1 s
    matrix: {repeats: 12}
    success: {at-least: 75 %, confidence: 90 %}
""")
    found = iter([1.0, *[None] * 11])

    def blurred(*_: object) -> list[Measure]:
        if (value := next(found)) is None:
            return [Measure.absent("success", "1", Outcome.MISSING_DATA, "no samples")]
        return [Measure("success", "1", value)]

    monkeypatch.setattr("hil.scenarios.execute.measure", blurred)
    done = execute(item, rig, kit.bench)
    assert done.verdict is Verdict.UNDECIDED, done.reason
    assert "1 of 12 succeeded, 0 failed, 11 undecided" in done.reason


# -- trouble ------------------------------------------------------------------------------


def broken_link(kit: Kit) -> None:
    kit.board.broken = "board port: unplugged"


def vanished_tachometer(kit: Kit) -> None:
    kit.tachometer.broken = "tachometer: no answer"


def tripped_supply(kit: Kit) -> None:
    kit.supply.on = False


def silent_board(kit: Kit) -> None:
    kit.board.silent = True


def hot_stage(kit: Kit) -> None:
    kit.board.report["reported.temperature"] = 95.0


@pytest.mark.parametrize(
    ("trouble", "verdict", "reason"),
    [
        (broken_link, Verdict.BENCH_FAULT, "bench: board port: unplugged"),
        (vanished_tachometer, Verdict.BENCH_FAULT, "bench: tachometer: no answer"),
        (tripped_supply, Verdict.BENCH_FAULT, "bench: the supply switched its output off by"),
        (silent_board, Verdict.BENCH_FAULT, "bench: no telemetry for 0.5"),
        (hot_stage, Verdict.FAIL, "firmware: reported.temperature reached 95 degC, above"),
    ],
)
def test_trouble_in_mid_scenario_is_told_in_one_line_and_leaves_all_safe(
    kit: Kit, item, rig, trouble, verdict: Verdict, reason: str
) -> None:
    kit.clock.at(0.5, lambda: trouble(kit))
    kept = []
    done = execute(item(repeats=3), rig, kit.bench, keep=lambda _, trace: kept.append(trace))
    assert done.verdict is verdict
    assert done.reason.startswith(reason)
    assert "\n" not in done.reason
    assert not kit.supply.on
    assert kit.brake.torque == 0.0
    assert len(kept) == 1  # the evidence up to there; the other repetitions are not run
    assert len(kept[0].channels["reported.speed"]) > 20


def test_whose_fault_is_in_the_class_of_the_error(kit: Kit, item, rig) -> None:
    kit.clock.at(0.5, lambda: broken_link(kit))
    assert isinstance(execute(item(), rig, kit.bench).problem, LinkError)


def test_a_fault_of_the_drive_during_a_start_is_measured_not_thrown(kit: Kit, item, rig) -> None:
    kit.clock.at(0.3, lambda: kit.board.trip(Fault.START_FAILED))
    done = execute(item(), rig, kit.bench)
    assert (done.verdict, done.problem) == (Verdict.FAIL, None)
    assert re.match(
        r"firmware: success 0, expected exactly 1: at the end \S+ rpm, asked were .* rpm; "
        r"reported fault: start-failed",
        done.reason,
    )


def test_an_entry_speed_that_is_not_reached_blames_the_firmware(kit: Kit, planned, rig) -> None:
    (item,) = planned(
        "  - {id: r, scenario: reversal, entry-speed: 1000 rpm, speed: 1000 rpm, within: 0.2 s,"
        " bands: {success: {exactly: 1}}}\n"
    )
    kit.board.RATE = 100.0
    done = execute(item, rig, kit.bench)
    assert done.verdict is Verdict.FAIL
    assert isinstance(done.problem, ManoeuvreFailed)
    assert done.reason.startswith("firmware: entry speed 1000 rpm not reached within 0.2 s")


@pytest.mark.parametrize(
    ("band", "verdict", "reason"),
    [
        ("exactly: 0", Verdict.FAIL, "firmware: success 1, expected exactly 0 ("),
        ("exactly: 1", Verdict.BENCH_FAULT, "bench: tachometer: cable"),
    ],
)
def test_trouble_with_the_bench_takes_no_earlier_fail_away(
    kit: Kit, planned, rig, band: str, verdict: Verdict, reason: str
) -> None:
    (item,) = planned(
        f"  - {{id: s, scenario: start, speed: 1000 rpm, matrix: {{repeats: 3}}, "
        f"bands: {{success: {{{band}}}}}}}\n"
    )

    def breaks(repeat: int, _trace: object) -> None:
        if repeat == 2:
            kit.tachometer.broken = "tachometer: cable"

    done = execute(item, rig, kit.bench, keep=breaks)
    assert [judgement.repeat for judgement in done.judgements] == [1, 2]
    assert done.verdict is verdict
    assert done.reason.startswith(reason)
    assert ("(and 1 more); after that bench: tachometer: cable" in done.reason) is (
        verdict is Verdict.FAIL
    )


def test_when_the_supply_went_first_the_firmware_could_do_no_other(kit: Kit, planned, rig) -> None:
    (item,) = planned(
        "  - {id: r, scenario: reversal, entry-speed: 1000 rpm, speed: 1000 rpm, within: 1 s,"
        " bands: {success: {exactly: 1}}}\n"
    )

    def both() -> None:
        kit.supply.on = False
        kit.supply.measure = lambda: type(kit.supply).measure(
            SimpleNamespace(broken="", on=True, voltage=24.0, sag=0.0, clock=kit.clock, current=0.1)
        )  # the output capacitor still holds the voltage
        kit.board.RATE = 0.0

    kit.board.RATE = 2000.0
    kit.clock.at(0.3, both)
    done = execute(item, rig, kit.bench)
    assert done.verdict is Verdict.BENCH_FAULT
    assert isinstance(done.problem, InstrumentError)
    assert "by itself" in done.reason
    assert "after that: entry speed 1000 rpm not reached" in done.reason


@pytest.mark.parametrize("trips", [("over-current",), ()])
def test_a_board_that_dies_with_its_supply_is_not_told_as_a_dead_board(
    kit: Kit, item, rig, trips
) -> None:
    def both() -> None:
        kit.supply.on, kit.board.broken = False, "no telemetry for 0.5 s"

    kit.supply.trips = lambda: trips
    kit.clock.at(0.41, both)
    done = execute(item(), rig, kit.bench)
    assert done.verdict is Verdict.BENCH_FAULT
    assert isinstance(done.problem, ProtectionTripped) is bool(trips)
    said = "over-current protection tripped by 0." if trips else "switched its output off by itself"
    assert f"the supply{chr(39) + 's' if trips else ''} {said}" in done.reason
    assert done.reason.endswith("; after that: no telemetry for 0.5 s")


def test_an_abort_limit_counts_even_if_the_supply_tripped_as_well(kit: Kit, item, rig) -> None:
    def both() -> None:
        kit.supply.on = False
        kit.board.report["reported.voltage"] = 50.0

    kit.clock.at(0.41, both)
    done = execute(item(), rig, kit.bench)
    assert isinstance(done.problem, LimitExceeded | InstrumentError)
    assert not kit.supply.on


def test_a_supply_that_does_not_switch_off_is_in_the_notes(kit: Kit, item, rig) -> None:
    kit.clock.at(0.5, lambda: setattr(kit.supply, "broken", "supply: no answer"))
    kit.clock.at(1.02, lambda: setattr(kit.board, "feed_voltage", 23.0))
    done = execute(item(), rig, kit.bench)
    assert done.verdict is Verdict.BENCH_FAULT
    (note,) = done.notes  # once, although the second attempt would say it in other figures
    assert note.startswith(f"{NOT_OFF}: supply: no answer; the board read 24.0 V")


def test_a_shaft_that_does_not_come_to_rest_is_noted(kit: Kit, item, rig) -> None:
    kit.board.refuses = {"stop"}
    done = execute(item(), rig, kit.bench)
    assert done.notes == ["repetition 1: the shaft did not come to rest after stop"]
    assert not kit.supply.on


def test_an_item_that_lacks_an_instrument_is_not_run_and_nothing_is_touched(
    kit: Kit, item, rig
) -> None:
    kit.journal.clear()
    done = execute(replace(item(), lacks="no brake wired on rig x"), rig, kit.bench)
    assert (done.verdict, done.reason) == (Verdict.NOT_RUN, "no brake wired on rig x")
    assert (done.measures, done.judgements, done.traces, done.problem) == ([], [], [], None)
    assert kit.journal == []


def test_a_defect_of_ours_blames_neither_side(kit: Kit, item, rig) -> None:
    def defect() -> None:
        raise HarnessError("impossible")

    kit.clock.at(0.5, defect)
    done = execute(item(), rig, kit.bench)
    assert (done.verdict, done.reason) == (Verdict.BENCH_FAULT, "harness: impossible")


@pytest.mark.parametrize("error", [KeyboardInterrupt("signal SIGTERM"), ZeroDivisionError("bug")])
def test_an_interrupt_and_a_bug_pass_through_after_the_supply_went_off(
    kit: Kit, item, rig, error: BaseException
) -> None:
    def strike() -> None:
        raise error

    kit.clock.at(0.5, strike)
    with pytest.raises(type(error)):
        execute(item(), rig, kit.bench)
    assert not kit.supply.on
    assert kit.journal[-3:] == ["supply off", "brake release", "switch restore"]


# -- on the simulated bench ---------------------------------------------------------------


def test_the_same_seed_measures_the_same_another_seed_does_not(item, rig, simulated) -> None:
    found = [
        [(m.name, m.value, m.uncertainty) for m in execute(item(), rig, simulated(seed=s)).measures]
        for s in ("1", "1", "2")
    ]
    assert found[0] == found[1]
    assert found[0] != found[2]


def test_a_start_on_the_simulated_bench_passes_through_the_states_of_the_drive(
    item, rig, simulated
) -> None:
    done = execute(item(), rig, simulated())
    assert done.verdict is Verdict.PASS, done.reason
    states = [span.state for span in done.spans]
    assert states[0] == "idle"
    assert "run" in states
    assert states[-1] in ("brake", "idle")
