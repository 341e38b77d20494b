"""Primitive steps: what they ask of the bench, what they mark, and whom they blame."""

import math
from collections.abc import Callable
from types import SimpleNamespace

import pytest

from hil.bench.operator import NotAttended
from hil.core.drive import DriveState, Fault
from hil.core.errors import BenchError, InstrumentError, LinkError, LinkTimeout
from hil.scenarios.steps import ManoeuvreFailed, Steps, fault_from_words

Kit = SimpleNamespace


def marks(kit: Kit) -> list[str]:
    return [mark.name for mark in kit.bench.trace().marks]


def test_supply_on_energises_and_a_second_time_only_changes_the_voltage(kit: Kit) -> None:
    steps = Steps(kit.bench)
    steps.begin_trace()
    steps.supply(24.0)
    assert kit.journal[-2:] == ["supply prepare 24 V 10 A 46 V", "supply on"]
    steps.supply(20.0)
    assert kit.journal[-1] == "supply set 20 V"
    assert kit.bench.supply_lost() == ""
    steps.supply_off()
    assert kit.journal[-1] == "supply off"
    assert not kit.bench.energised


def test_the_log_tells_each_step_with_its_time(steps: Steps) -> None:
    steps.wait(0.25)
    steps.start(1500.0)
    assert steps.log[0].endswith("s  supply on at 24 V")
    assert steps.log[1].endswith("s  sensing hall")
    assert steps.log[-1].endswith("s  start towards +1500 rpm")
    first, last = (float(steps.log[i].split(" s ")[0]) for i in (-2, -1))
    assert last - first == pytest.approx(0.25, abs=0.011)


def test_the_observer_hears_each_step(kit: Kit, steps: Steps) -> None:
    heard: list[str] = []
    kit.bench.observer = SimpleNamespace(step=heard.append, readings=lambda _now: None)
    steps.stop()
    assert heard == ["stop"]


# -- ready --------------------------------------------------------------------------------


def test_a_board_with_an_old_fault_is_cleared_first(kit: Kit) -> None:
    kit.board.trip(Fault.STALL)
    steps = Steps(kit.bench)
    steps.begin_trace()
    steps.ready("back-emf")
    commands = [call for call in kit.journal if call.startswith("board")]
    assert commands == ["board stream True", "board clear", "board select-sensing back-emf"]


def test_an_idle_board_is_not_cleared(kit: Kit, steps: Steps) -> None:
    kit.bench.begin_trace()
    steps.ready("hall")
    assert "board clear" not in kit.journal


def test_a_board_that_stays_in_fault_is_the_firmwares_doing(kit: Kit) -> None:
    kit.board.trip(Fault.HALL)
    kit.board.refuses = {"clear"}
    steps = Steps(kit.bench)
    steps.begin_trace()
    with pytest.raises(ManoeuvreFailed, match=r"not idle 1\.5 s after .*state fault \(hall\)"):
        steps.ready("hall")


def test_a_board_without_telemetry_is_the_benchs_fault(kit: Kit) -> None:
    kit.board.silent, kit.board.bad = True, ("bad checksum",)
    steps = Steps(kit.bench)
    steps.begin_trace()
    with pytest.raises(LinkTimeout, match=r"no telemetry within 1\.5 s .*bad checksum"):
        steps.ready("hall")


@pytest.mark.parametrize(
    ("command", "call"),
    [
        ("select-sensing", lambda s: s.ready("hall")),
        ("start", lambda s: s.start(1000.0)),
        ("set-speed", lambda s: s.set_speed(1000.0)),
        ("stop", lambda s: s.stop()),
        ("clear", lambda s: s.clear()),
    ],
)
def test_a_refused_command_is_the_firmwares_doing_and_says_in_which_state(
    kit: Kit, steps: Steps, command: str, call
) -> None:
    kit.board.refuses = {command}
    with pytest.raises(ManoeuvreFailed, match=rf"refused '{command}.*\(state idle, 0 rpm"):
        call(steps)


# -- commands and marks -------------------------------------------------------------------


def test_start_set_point_and_reversal_are_marked_at_the_moment_of_sending(
    kit: Kit, steps: Steps
) -> None:
    steps.start(-1000.0)
    steps.set_speed(-1200.0)
    steps.reverse()
    steps.stop()
    assert kit.journal == [
        "board start -1000",
        "board set-speed -1200",
        "board set-speed 1200",
        "board stop",
    ]
    assert marks(kit)[-4:] == ["command", "set-point", "reverse", "stop"]
    assert kit.bench.trace().mark("reverse").detail == "+1200 rpm"


def test_a_restart_has_its_own_mark(kit: Kit, steps: Steps) -> None:
    steps.start(1000.0, mark="restart")
    assert kit.bench.trace().mark("restart") is not None
    assert kit.bench.trace().mark("command") is None


def test_either_direction_is_right_during_a_reversal(kit: Kit, steps: Steps) -> None:
    steps.start(3000.0)
    steps.wait(0.5)
    steps.set_speed(-3000.0)
    steps.wait(1.0)
    assert kit.bench.latest.speed == -3000.0


def test_brake_and_load_are_marked_and_applied(kit: Kit, steps: Steps) -> None:
    steps.brake(0.3)
    assert kit.brake.torque == 0.3
    steps.release()
    steps.brake(0.1, mark="load-on")
    steps.release(mark="load-off")
    assert kit.brake.torque == 0.0
    assert marks(kit)[-4:] == ["brake-on", "brake-off", "load-on", "load-off"]


def test_a_brake_acts_while_it_is_spoken_to_or_within_its_delay(kit: Kit) -> None:
    """Any instant of 60 ms as likely: their middle, within 60 ms / sqrt 12 (JCGM 100, 4.3.7)."""
    steps = Steps(kit.make(brake_delay=0.05))
    steps.begin_trace()
    for order in ("apply", "release"):
        command = getattr(kit.brake, order)

        def takes_time(*torque: float, command: Callable[..., None] = command) -> None:
            kit.clock.sleep(0.01)
            command(*torque)

        setattr(kit.brake, order, takes_time)
    steps.brake(0.3)
    steps.release()
    on, off = steps.bench.trace().marks
    assert (on.name, off.name) == ("brake-on", "brake-off")
    assert (on.t, off.t) == (pytest.approx(0.03), pytest.approx(0.04))
    assert on.uncertainty == off.uncertainty == pytest.approx(0.06 / math.sqrt(12.0))


def test_a_brake_that_refuses_is_marked_when_it_did(kit: Kit, steps: Steps) -> None:
    def refuses(torque: float) -> None:
        raise InstrumentError(f"torque {torque:g}")

    kit.brake.apply = refuses
    with pytest.raises(InstrumentError, match=r"torque 0\.3"):
        steps.brake(0.3)
    assert marks(kit)[-1] == "brake-on"


def test_braking_without_a_brake_takes_a_person(kit: Kit) -> None:
    bench = kit.make(brake=None)
    with pytest.raises(NotAttended, match="no brake is wired"):
        Steps(bench).brake(0.1)


# -- waiting ------------------------------------------------------------------------------


def test_waiting_for_a_speed_ends_when_it_is_reached(kit: Kit, steps: Steps) -> None:
    steps.start(2000.0)
    before = kit.clock.now()
    assert steps.wait_for_speed(2000.0, tolerance=5.0, within=2.0)
    assert kit.clock.now() - before == pytest.approx(0.24, abs=0.03)


def test_waiting_for_a_speed_that_is_not_reached_ends_in_time(kit: Kit, steps: Steps) -> None:
    steps.start(2000.0)
    before = kit.clock.now()
    assert not steps.wait_for_speed(-2000.0, tolerance=5.0, within=0.5)
    assert kit.clock.now() - before == pytest.approx(0.5, abs=0.011)


def test_a_fault_ends_the_wait_for_a_speed(kit: Kit, steps: Steps) -> None:
    steps.start(2000.0)
    kit.clock.at(0.1, lambda: kit.board.trip(Fault.OVER_CURRENT))
    before = kit.clock.now()
    assert not steps.wait_for_speed(2000.0, tolerance=1.0, within=2.0)
    assert kit.clock.now() - before < 0.2


def test_waiting_for_a_state(steps: Steps) -> None:
    assert steps.wait_for_state(DriveState.IDLE, within=0.1)
    assert not steps.wait_for_state(DriveState.BRAKE, within=0.1)


@pytest.mark.parametrize(
    ("expected", "happened", "found"),
    [
        (Fault.STALL, Fault.STALL, True),
        (Fault.STALL | Fault.OVER_CURRENT, Fault.OVER_CURRENT, True),
        (Fault.STALL, Fault.HALL, False),
        (Fault.NONE, Fault.HALL, True),  # any
    ],
)
def test_an_expected_fault_must_be_one_of_those_named(
    kit: Kit, steps: Steps, expected: Fault, happened: Fault, found: bool
) -> None:
    kit.clock.at(0.2, lambda: kit.board.trip(happened))
    assert steps.expect_fault(expected, within=1.0) is found
    mark = kit.bench.trace().mark("fault-seen")
    assert mark is not None
    assert mark.detail == ", ".join(happened.words)


def test_no_fault_in_time_is_told_by_false(kit: Kit, steps: Steps) -> None:
    assert not steps.expect_fault(Fault.STALL, within=0.2)
    assert kit.bench.trace().mark("fault-seen") is None


# -- words --------------------------------------------------------------------------------


def test_the_present_state_in_words(kit: Kit, steps: Steps) -> None:
    assert steps.describe() == "state idle, 0 rpm, 0.50 A, 24.00 V"
    kit.board.trip(Fault.STALL | Fault.OVER_CURRENT)
    kit.bench.wait(0.05)
    assert steps.describe().startswith("state fault (over-current, stall), ")
    kit.bench.begin_trace()
    assert steps.describe().startswith("no telemetry")


@pytest.mark.parametrize("fault", list(Fault))
def test_words_and_faults_are_one_to_one(fault: Fault) -> None:
    assert fault_from_words(fault.words) == fault


def test_a_word_that_is_no_fault_is_refused() -> None:
    with pytest.raises(KeyError):
        fault_from_words(["over-heated"])


# -- refusals, standstill, lines, silence ---------------------------------------------------


def test_a_command_that_is_obeyed_although_it_should_not_is_the_firmwares_doing(
    steps: Steps,
) -> None:
    with pytest.raises(ManoeuvreFailed, match=r"start \+9000 rpm was obeyed, expected a refusal"):
        steps.expect_refusal("start", 9000.0)


def test_a_refusal_is_marked_with_its_reason(kit: Kit, steps: Steps) -> None:
    kit.board.refuses = {"set-speed"}
    steps.expect_refusal("set-speed", -400.0)
    mark = kit.bench.trace().marks[-1]
    assert mark.name == "refused"
    assert mark.detail.startswith("set-speed -400 rpm: board refused")


def test_a_link_that_fails_is_no_refusal(kit: Kit, steps: Steps) -> None:
    kit.board.broken = "unplugged"
    with pytest.raises(LinkError, match="unplugged"):
        steps.expect_refusal("clear")


def test_a_shaft_that_turns_is_not_still(kit: Kit, steps: Steps) -> None:
    steps.expect_still(0.2)
    steps.start(1000.0)
    before = kit.clock.now()
    with pytest.raises(ManoeuvreFailed, match="the shaft turned although it was to stand for 1 s"):
        steps.expect_still(1.0)
    assert kit.clock.now() - before < 0.1


def test_without_a_tachometer_the_reported_speed_tells_that_it_turns(kit: Kit) -> None:
    steps = Steps(kit.make(tachometer=None))
    steps.begin_trace()
    steps.supply(24.0)
    steps.ready("hall")
    steps.expect_still(0.1)
    steps.start(1000.0)
    with pytest.raises(ManoeuvreFailed, match="the shaft turned"):
        steps.expect_still(1.0)


def test_after_a_dip_the_voltage_of_before_is_awaited(kit: Kit, steps: Steps) -> None:
    before = kit.clock.now()
    steps.dip(18.0, 0.2)
    assert kit.journal == ["supply set 18 V", "supply set 24 V"]
    assert kit.clock.now() - before >= 0.2
    assert kit.bench.supply_lost() == ""


def test_a_dip_that_the_supply_has_not_made_is_none(
    kit: Kit, steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(type(kit.bench.supply), "set_voltage", lambda self, _v: self.note("slow"))
    with pytest.raises(InstrumentError, match=r"a dip to 18 V of 0\.2 s .* it measured 24\.00 V"):
        steps.dip(18.0, 0.2)
    kit.board.trip(Fault.UNDER_VOLTAGE)
    steps.dip(18.0, 0.2)
    assert kit.journal == ["supply slow"] * 4


def test_lines_need_a_switch(kit: Kit) -> None:
    steps = Steps(kit.make(switch=None))
    with pytest.raises(BenchError, match="needs a signal switch"):
        steps.set_line("hall-a", False)


def test_while_silent_nothing_is_said_and_afterwards_again(kit: Kit) -> None:
    steps = Steps(kit.make(keep_alive=0.1))
    steps.begin_trace()
    steps.supply(24.0)
    steps.ready("hall")
    kit.journal.clear()
    steps.wait(1.0)
    assert 8 <= kit.journal.count("board identify") <= 10
    kit.journal.clear()
    steps.silence(1.0)
    assert kit.journal == []
    steps.wait(0.5)
    assert kit.journal.count("board identify") >= 4


def test_silence_ends_even_if_the_bench_fails(kit: Kit, steps: Steps) -> None:
    kit.board.broken = "unplugged"
    with pytest.raises(LinkError):
        steps.silence(1.0)
    assert not kit.bench.quiet


def test_one_rung_at_a_time_takes_the_place_of_the_sensor(kit: Kit, steps: Steps) -> None:
    kit.journal.clear()
    for line in ("temperature-60", "temperature-open", "", ""):
        steps.stand_in(line)
    assert kit.journal == [
        "switch set temperature-60 False",
        "switch set temperature-60 True",
        "switch set temperature-open False",
        "switch set temperature-open True",
    ]
    assert any("an open line in place of the temperature sensor" in line for line in steps.log)
    opened = [mark.detail for mark in kit.bench.trace().marks if mark.name == "line-opened"]
    assert opened == ["temperature-60", "temperature-open"]
