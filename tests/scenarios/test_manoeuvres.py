"""What each manoeuvre does, in which order, on a drive that follows its set point."""

from types import SimpleNamespace

import pytest

from hil.core.drive import Fault
from hil.core.errors import BenchError
from hil.scenarios import manoeuvres
from hil.scenarios.manoeuvres import Approach
from hil.scenarios.steps import ManoeuvreFailed, Steps

Kit = SimpleNamespace
CW, CCW = Approach(1), Approach(-1)


def marks(kit: Kit) -> list[str]:
    return [m.name for m in kit.bench.trace().marks if m.name != "supply-on"]


@pytest.mark.parametrize(("approach", "sign"), [(CW, 1), (CCW, -1)])
def test_start_shows_the_rest_before_and_holds_the_speed_after(
    kit: Kit, steps: Steps, approach: Approach, sign: int
) -> None:
    begun = kit.clock.now()
    manoeuvres.start(steps, approach, speed=2000.0, hold=0.5)
    assert kit.journal == [f"board start {sign * 2000}"]
    trace = kit.bench.trace()
    command = trace.mark("command")
    assert command.t + kit.bench.trace_start - begun == pytest.approx(0.1, abs=0.011)
    assert trace.channels["witness.speed"].y[-1] == sign * 2000.0
    assert trace.end - command.t == pytest.approx(0.24 + 0.5, abs=0.05)


def test_a_start_that_fails_holds_nothing(kit: Kit, steps: Steps) -> None:
    kit.board.RATE = 0.0
    begun = kit.clock.now()
    manoeuvres.start(steps, Approach(1, within=1.0), speed=2000.0, hold=5.0)
    assert kit.clock.now() - begun < 1.2


@pytest.mark.parametrize(("approach", "sign"), [(CW, 1), (CCW, -1)])
def test_reversal_settles_before_and_after(
    kit: Kit, steps: Steps, approach: Approach, sign: int
) -> None:
    manoeuvres.reversal(steps, approach, entry=1000.0, speed=1500.0, hold=0.3)
    assert kit.journal == [f"board start {sign * 1000}", f"board set-speed {sign * -1500}"]
    assert marks(kit) == ["command", "reverse"]
    trace = kit.bench.trace()
    before = trace.channels["witness.speed"].between(
        trace.mark("reverse").t - 0.3, trace.mark("reverse").t
    )
    assert set(before.y) == {sign * 1000.0}
    assert trace.channels["witness.speed"].y[-1] == sign * -1500.0


def test_a_running_shaft_needs_no_start_command(kit: Kit, steps: Steps) -> None:
    manoeuvres.start(steps, CW, speed=1000.0, hold=0.1)
    kit.journal.clear()
    manoeuvres.reversal(steps, Approach(1, running=True), entry=1000.0, speed=900.0, hold=0.1)
    assert kit.journal == ["board set-speed -900"]


def test_without_its_entry_speed_a_manoeuvre_has_nothing_to_measure(kit: Kit, steps: Steps) -> None:
    kit.board.RATE = 100.0
    with pytest.raises(ManoeuvreFailed, match=r"entry speed 1000 rpm not reached within 0\.5 s"):
        manoeuvres.reversal(steps, Approach(1, within=0.5), entry=1000.0, speed=1.0, hold=0.1)
    assert "board set-speed -1" not in kit.journal


def test_stall_brakes_waits_for_the_trip_watches_clears_and_starts_again(
    kit: Kit, steps: Steps
) -> None:
    kit.clock.at(1.2, lambda: kit.board.trip(Fault.STALL))
    manoeuvres.stall(steps, CW, speed=2000.0, torque=0.8, hold=2.0, watch=0.5)
    assert kit.journal == [
        "board start 2000",
        "brake apply 0.8",
        "brake release",
        "board clear",
        "board start 2000",
    ]
    assert marks(kit) == ["command", "brake-on", "fault-seen", "brake-off", "clear", "restart"]
    trace = kit.bench.trace()
    assert trace.mark("clear").t - trace.mark("brake-off").t == pytest.approx(0.5, abs=0.02)


def test_a_stall_from_standstill_brakes_before_the_start_command(kit: Kit, steps: Steps) -> None:
    kit.board.RATE = 0.0
    kit.clock.at(0.3, lambda: kit.board.trip(Fault.OVER_CURRENT))
    manoeuvres.stall(
        steps, Approach(1, within=0.2), speed=2000.0, torque=0.8, hold=2.0, watch=0.1,
        from_standstill=True,
    )  # fmt: skip
    assert kit.journal[:2] == ["brake apply 0.8", "board start 2000"]


def test_a_drive_that_does_not_trip_is_released_and_neither_cleared_nor_restarted(
    kit: Kit, steps: Steps
) -> None:
    manoeuvres.stall(steps, CW, speed=2000.0, torque=0.8, hold=0.5, watch=0.2)
    assert kit.journal == ["board start 2000", "brake apply 0.8", "brake release"]
    assert kit.brake.torque == 0.0


def test_a_trip_of_another_name_is_a_trip_all_the_same(kit: Kit, steps: Steps) -> None:
    kit.clock.at(1.0, lambda: kit.board.trip(Fault.HALL))
    manoeuvres.stall(steps, CW, speed=2000.0, torque=0.8, hold=1.0, watch=0.1)
    assert "board clear" in kit.journal


def test_a_fault_that_cannot_be_cleared_ends_the_stall(kit: Kit, steps: Steps) -> None:
    kit.clock.at(1.0, lambda: kit.board.trip(Fault.STALL))
    kit.board.clear = lambda: kit.journal.append("board clear")
    manoeuvres.stall(steps, CW, speed=2000.0, torque=0.8, hold=1.0, watch=0.1)
    assert kit.journal[-1] == "board clear"


def test_the_partner_of_a_stall_is_braked_and_released(kit: Kit, steps: Steps) -> None:
    manoeuvres.load_without_trip(steps, CCW, speed=2000.0, torque=0.04, hold=0.3, watch=0.2)
    assert kit.journal == ["board start -2000", "brake apply 0.04", "brake release"]
    assert marks(kit) == ["command", "brake-on", "brake-off"]


def test_a_speed_step(kit: Kit, steps: Steps) -> None:
    manoeuvres.speed_step(steps, CW, entry=1000.0, speed=2000.0, hold=0.3)
    assert kit.journal == ["board start 1000", "board set-speed 2000"]
    assert marks(kit) == ["command", "set-point"]
    assert kit.bench.latest.speed == 2000.0


def test_a_saturated_step_is_made_into_a_braked_shaft(kit: Kit, steps: Steps) -> None:
    manoeuvres.speed_step(
        steps, CW, entry=1000.0, speed=2000.0, hold=0.3, torque=0.05, saturated_for=0.4
    )
    assert marks(kit) == ["command", "load-on", "set-point", "load-off"]
    trace = kit.bench.trace()
    assert trace.mark("load-off").t - trace.mark("set-point").t == pytest.approx(0.4, abs=0.02)


# -- the bound of a reversal --------------------------------------------------------------


def test_the_bound_of_a_reversal_is_energy_into_the_capacitor() -> None:
    """V1 = sqrt(V0^2 + J w^2 / C): 24 V, 1.5e-5 kg m^2, 2200 uF, 3000 rpm (by hand)."""
    peak = manoeuvres.refuse_unsafe_reversal(
        entry=3000.0, voltage=24.0, inertia=1.5e-5, capacitance=2200e-6, limit=45.0
    )
    assert peak == pytest.approx((24.0**2 + 1.5e-5 * 314.159265**2 / 2200e-6) ** 0.5, abs=1e-6)


def test_a_reversal_beyond_the_limit_is_refused_with_both_figures() -> None:
    with pytest.raises(BenchError, match=r"from 4000 rpm refused.*24 V to 42\.1 V.*limit of 40 V"):
        manoeuvres.refuse_unsafe_reversal(
            entry=4000.0, voltage=24.0, inertia=1.5e-5, capacitance=2200e-6, limit=40.0
        )


def test_derating_brakes_at_each_rung_with_the_sensor_back_in_between(
    kit: Kit, steps: Steps
) -> None:
    rungs = ["temperature-50", "temperature-70"]
    kit.journal.clear()
    manoeuvres.derating(steps, CCW, speed=1000.0, torque=0.4, rungs=rungs, soak=0.05, hold=0.12)
    once = [
        "switch set {} False", "brake apply 0.4", "brake release", "switch set {} True"
    ]  # fmt: skip
    did = [call.format(rung) for rung in rungs for call in once]
    assert kit.journal == ["board start -1000", *did]
    braked = [m.t for m in kit.bench.trace().marks if m.name in ("brake-on", "brake-off")]
    assert braked[1] - braked[0] == pytest.approx(0.12, abs=0.02)


def test_derating_starts_a_drive_again_that_tripped(kit: Kit, steps: Steps) -> None:
    rungs = ["temperature-50", "temperature-70"]
    kit.clock.at(0.7, lambda: kit.board.trip(Fault.STALL))
    manoeuvres.derating(steps, CW, speed=1000.0, torque=0.4, rungs=rungs, soak=0.3, hold=0.12)
    assert [call for call in kit.journal if call.startswith("board")] == [
        "board start 1000", "board clear", "board start 1000"
    ]  # fmt: skip
    assert marks(kit).count("restart") == 1
