"""A list of primitive steps, carried out."""

from types import SimpleNamespace

import pytest

from hil.core.drive import DriveState, Fault
from hil.core.errors import HarnessError
from hil.plan.read_steps import read_step
from hil.scenarios.manoeuvres import Approach
from hil.scenarios.scripted import run_steps
from hil.scenarios.steps import ManoeuvreFailed, Steps

Kit = SimpleNamespace


def run(steps: Steps, *raw: object, direction: int = 1) -> None:
    sequence = [read_step(step) for step in raw]
    run_steps(steps, sequence, Approach(direction), voltage=24.0)


def test_every_step_does_what_it_says(kit: Kit, steps: Steps) -> None:
    kit.clock.at(2.5, lambda: kit.board.trip(Fault.STALL))
    run(
        steps,
        {"supply": "20 V"},
        {"start": "1000 rpm"},
        {"wait-for": {"speed": "1000 rpm"}, "within": "1 s"},
        {"set-speed": "2000 rpm"},
        {"hold": "0.5 s"},
        {"brake": "0.5 N*m"},
        {"expect-fault": ["stall", "over-current"], "within": "3 s"},
        "release",
        "clear",
        {"wait-for": {"state": "idle"}, "within": "1 s"},
        {"wait": "0.1 s"},
        "stop",
        {"supply": "off"},
        {"supply": "on"},
    )
    assert kit.journal == [
        "supply set 20 V",
        "board start 1000",
        "board set-speed 2000",
        "brake apply 0.5",
        "brake release",
        "board clear",
        "board stop",
        "supply off",
        "supply prepare 24 V 10 A 46 V",
        "supply on",
    ]


def test_after_a_reversal_speeds_count_the_other_way(kit: Kit, steps: Steps) -> None:
    run(
        steps,
        {"start": "1000 rpm"},
        {"wait-for": {"speed": "1000 rpm"}, "within": "1 s"},
        "reverse",
        {"wait-for": {"speed": "1000 rpm"}, "within": "1 s"},
        {"set-speed": "800 rpm"},
        direction=-1,
    )
    assert kit.journal == ["board start -1000", "board set-speed 1000", "board set-speed 800"]


@pytest.mark.parametrize(
    ("step", "message"),
    [
        (
            {"wait-for": {"speed": "3000 rpm"}, "within": "0.2 s"},
            r"step 2 of 3 \(wait-for\): \+3000 rpm not reached within 0\.2 s: state run",
        ),
        (
            {"wait-for": {"state": "fault"}, "within": "0.2 s"},
            r"step 2 of 3 \(wait-for\): state fault not reached within 0\.2 s: state run",
        ),
        (
            {"expect-fault": ["stall", "hall"], "within": "0.2 s"},
            r"step 2 of 3 \(expect-fault\): expected fault stall or hall within 0\.2 s, found",
        ),
    ],
)
def test_a_step_that_is_not_fulfilled_is_numbered_and_ends_the_list(
    kit: Kit, steps: Steps, step: object, message: str
) -> None:
    with pytest.raises(ManoeuvreFailed, match=message):
        run(steps, {"start": "500 rpm"}, step, "stop")
    assert "board stop" not in kit.journal


def test_a_fault_during_a_hold_ends_it_at_once(kit: Kit, steps: Steps) -> None:
    kit.clock.at(0.3, lambda: kit.board.trip(Fault.OVER_TEMPERATURE))
    before = kit.clock.now()
    told = r"step 1 of 1 \(hold\): fault while holding: .*over-temperature"
    with pytest.raises(ManoeuvreFailed, match=told):
        run(steps, {"hold": "5 s"})
    assert kit.clock.now() - before < 0.4


def test_a_fault_that_clears_itself_between_two_looks_ends_a_hold_too(
    kit: Kit, steps: Steps
) -> None:
    read, trips = kit.board.read, kit.clock.now() + 0.3

    def with_a_short_fault():
        readings = read()
        states = readings.values.get("reported.state")
        if kit.clock.now() >= trips and states is not None and states.size > 1:
            states[0] = DriveState.FAULT.value  # the newest frame is sound again
        return readings

    kit.board.read = with_a_short_fault
    with pytest.raises(ManoeuvreFailed, match="fault while holding"):
        run(steps, {"hold": "5 s"})
    assert kit.clock.now() < trips + 1.0


def test_a_drive_that_stops_by_itself_without_a_fault_is_told_as_that(
    kit: Kit, steps: Steps
) -> None:
    kit.clock.at(1.0, kit.board.stop)
    told = r"step 3 of 3 \(hold\): stopped by itself, without a fault, while holding: state idle"
    with pytest.raises(ManoeuvreFailed, match=told):
        run(
            steps,
            {"start": "1000 rpm"},
            {"wait-for": {"speed": "1000 rpm"}, "within": "1 s"},
            {"hold": "2 s"},
        )


def test_a_drive_that_was_told_to_stop_may_come_to_idle_in_a_hold(kit: Kit, steps: Steps) -> None:
    run(steps, {"start": "1000 rpm"}, {"wait": "0.3 s"}, "stop", {"hold": "0.5 s"})
    run(steps, {"hold": "0.2 s"})
    assert kit.bench.latest.state is DriveState.IDLE


def test_during_a_wait_anything_may_happen(kit: Kit, steps: Steps) -> None:
    kit.clock.at(0.1, lambda: kit.board.trip(Fault.STALL))
    run(steps, {"wait": "0.5 s"})


def test_lines_dips_silence_and_refusals(kit: Kit, steps: Steps) -> None:
    kit.board.refuses = {"start", "clear", "select-sensing"}
    run(
        steps,
        {"open": "hall-a"},
        {"close": "hall-a"},
        {"dip": "18 V", "for": "0.2 s"},
        {"silence": "0.1 s"},
        {"expect-refusal": {"start": "9000 rpm"}},
        {"expect-refusal": {"sensing": "back-emf"}},
        {"expect-refusal": "clear"},
        {"expect-still": "0.1 s"},
        direction=-1,
    )
    assert kit.journal == [
        "switch set hall-a False",
        "switch set hall-a True",
        "supply set 18 V",
        "supply set 24 V",
        "board start -9000",
        "board select-sensing back-emf",
        "board clear",
    ]
    names = [mark.name for mark in kit.bench.trace().marks]
    assert names[-7:] == ["line-opened", "line-closed", "dip", "silence", *["refused"] * 3]


def test_a_step_nobody_can_carry_out_is_our_defect(steps: Steps) -> None:
    with pytest.raises(HarnessError):
        run_steps(steps, [object()], Approach(1), voltage=24.0)


def test_a_sweep_leads_the_set_point_and_marks_its_end(kit: Kit, steps: Steps) -> None:
    run(
        steps,
        {"start": "500 rpm"},
        {"wait-for": {"speed": "500 rpm"}, "within": "1 s"},
        {"sweep": "900 rpm", "for": "0.4 s"},
        direction=-1,
    )
    led = [float(c.split()[2]) for c in kit.journal if c.startswith("board set-speed")]
    assert led == sorted(led, reverse=True)
    assert led[-1] == -900.0
    assert len(led) >= 10
    assert max(a - b for a, b in zip([-500.0, *led], led, strict=False)) < 60.0
    marks = [mark for mark in kit.bench.trace().marks if mark.name == "set-point"]
    assert [mark.detail for mark in marks] == ["-900 rpm"]
