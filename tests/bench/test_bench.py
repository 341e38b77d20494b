"""An opened rig: order of energising, and being safe whenever it is left."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from hil.bench.bench import NOT_OFF, SETTLED_READINGS, closing
from hil.bench.coming_up import Overload
from hil.bench.limits import LimitExceeded
from hil.core.errors import BenchError, FirmwareError, InstrumentError, ScenarioError
from hil.ports.supply_commands import Settling

Kit = SimpleNamespace


def energised(kit: Kit) -> None:
    kit.bench.begin_trace()
    kit.bench.board.stream(True)
    kit.bench.energise(24.0)
    kit.journal.clear()


# -- energising ---------------------------------------------------------------------------


@pytest.mark.parametrize("voltage", [0.0, -24.0, 42.5, float("nan"), float("inf")])
def test_a_voltage_that_the_rig_file_does_not_allow_is_refused_before_anything_is_done(
    kit: Kit, voltage: float
) -> None:
    kit.bench.settings = replace(kit.bench.settings, max_voltage=42.0)
    with pytest.raises(ScenarioError, match="voltage: expected more than 0 V, at most 42 V"):
        kit.bench.energise(voltage)
    assert kit.journal == []
    assert not kit.bench.energised


def test_limits_come_before_output_on_and_the_output_is_awaited(kit: Kit) -> None:
    kit.bench.begin_trace()
    before = kit.clock.now()
    kit.bench.energise(24.0)
    calls = [call for call in kit.journal if call.startswith("supply")]
    assert calls == ["supply prepare 24 V 10 A 46 V", "supply on"]
    assert kit.bench.energised
    assert kit.clock.now() - before >= 0.04  # three readings in a row, 20 ms apart
    mark = kit.bench.trace().mark("supply-on")
    assert mark is not None
    assert mark.t == pytest.approx(0.0)


def test_an_output_that_does_not_settle_is_told_with_what_was_measured(kit: Kit) -> None:
    kit.supply.sag = 3.0
    with pytest.raises(InstrumentError, match=r"measured 21\.000 V .* expected 24 V within 2 %"):
        kit.bench.energise(24.0)
    assert kit.bench.energised  # so that whoever called knows what to switch off


def test_an_output_that_settles_late_is_waited_for(kit: Kit) -> None:
    kit.supply.sag = 3.0
    kit.clock.at(1.0, lambda: setattr(kit.supply, "sag", 0.1))
    before = kit.clock.now()
    kit.bench.energise(24.0)
    assert 1.0 <= kit.clock.now() - before < 1.2


def test_while_an_output_settles_everything_is_read_once_a_reading(kit: Kit) -> None:
    looks: list[float] = []
    kit.bench.observer = SimpleNamespace(readings=lambda _: looks.append(kit.clock.now()))
    kit.bench.begin_trace()
    kit.bench.energise(24.0)
    assert np.diff(looks) == pytest.approx(np.full(len(looks) - 1, 0.02), abs=1e-6)
    assert len(looks) >= SETTLED_READINGS - 1


def test_while_an_output_settles_the_rest_is_read_as_seldom_as_in_any_wait(kit: Kit) -> None:
    bench = kit.make(poll=0.1, quiet_poll=0.25)
    looks: list[float] = []
    bench.observer = SimpleNamespace(readings=lambda _: looks.append(kit.clock.now()))
    bench.begin_trace()
    bench.poll()
    kit.supply.sag = 3.0
    kit.clock.at(0.8, lambda: setattr(kit.supply, "sag", 0.0))
    bench.energise(24.0)
    assert np.diff(looks) == pytest.approx(np.full(len(looks) - 1, 0.25), abs=0.021)
    assert len(looks) > 2


def test_while_an_output_settles_every_reading_is_held_against_the_limits(kit: Kit) -> None:
    bench = kit.make(poll=0.1, quiet_poll=10.0)
    bench.begin_trace()
    bench.poll()
    kit.supply.current = 16.0  # the limit is 15 A
    with pytest.raises(Overload, match=r"at 16\.00 A .*abort limit 15 A") as told:
        bench.energise(24.0)
    assert not isinstance(told.value, FirmwareError)  # which nobody had asked to do anything


def test_while_another_voltage_settles_the_firmware_answers_for_what_is_drawn(kit: Kit) -> None:
    energised(kit)
    kit.supply.current = 16.0
    kit.supply.set_voltage(20.0)
    with pytest.raises(LimitExceeded, match=r"supply\.current reached 16 A"):
        kit.bench.await_voltage(20.0)


def test_an_inrush_above_the_abort_limit_is_waited_for(kit: Kit) -> None:
    kit.supply.current = 16.0
    kit.clock.at(0.07, lambda: setattr(kit.supply, "current", 0.3))
    before = kit.clock.now()
    kit.bench.energise(24.0)
    assert 0.07 + 0.04 <= kit.clock.now() - before < 0.15


def test_a_supply_that_cannot_say_its_current_settles_by_its_voltage(kit: Kit) -> None:
    kit.supply.current = math.nan
    before = kit.clock.now()
    kit.bench.energise(24.0)
    assert kit.clock.now() - before < 0.1


def test_a_short_at_output_on_is_told_before_the_time_to_settle_is_over(kit: Kit) -> None:
    kit.bench = kit.make(dc_link_capacitance=2.2e-3)
    kit.supply.sag, kit.supply.current = 23.5, 10.0
    before = kit.clock.now()
    with pytest.raises(Overload, match=r"0\.50 V of 24 V reached .* charging 2200 uF"):
        kit.bench.energise(24.0)
    assert kit.clock.now() - before < 0.2
    assert kit.bench.make_safe() == []
    kit.supply.sag, kit.supply.current = 0.0, 0.3
    kit.bench.energise(24.0)  # what was held against the last output is forgotten


def test_an_output_that_comes_and_goes_has_not_settled(kit: Kit) -> None:
    kit.bench = kit.make(settling=Settling(within=1.0, hold=0.2, limit=3.0))
    for at in range(1, 11):  # in the band for 0.1 s, out of it for 0.1 s, until 1.0 s
        sag = 3.0 if at % 2 else 0.0
        kit.clock.at(0.1 * at, lambda sag=sag: setattr(kit.supply, "sag", sag))
    kit.clock.at(1.05, lambda: setattr(kit.supply, "sag", 0.1))
    before = kit.clock.now()
    kit.bench.energise(24.0)
    assert 1.2 <= kit.clock.now() - before <= 1.4


def test_a_supply_settles_by_its_own_rule(kit: Kit) -> None:
    kit.bench = kit.make(settling=Settling(within=5.0, hold=0.5, limit=1.0))
    kit.supply.sag = 1.0  # 4.2 %
    before = kit.clock.now()
    kit.bench.energise(24.0)
    assert 0.5 <= kit.clock.now() - before < 0.6
    kit.bench.switch_off()
    kit.supply.sag = 1.5
    with pytest.raises(InstrumentError, match=r"after 1 s, expected 24 V within 5 % for 0\.5 s"):
        kit.bench.energise(24.0)


def test_limits_that_cannot_be_set_leave_the_output_off(kit: Kit) -> None:
    kit.supply.broken = "current limit reads back differently"
    with pytest.raises(InstrumentError, match="reads back differently"):
        kit.bench.energise(24.0)
    assert "supply on" not in kit.journal
    assert not kit.bench.energised


def test_the_shaft_must_stand_still_from_supply_on_to_the_first_command(kit: Kit) -> None:
    energised(kit)
    kit.board.target = 500.0  # starts by itself
    with pytest.raises(LimitExceeded, match="no motion was commanded"):
        kit.bench.wait(1.0)


# -- rest and safety ----------------------------------------------------------------------


def test_coming_to_rest_stops_the_drive_before_the_supply_goes_off(kit: Kit) -> None:
    energised(kit)
    kit.bench.watch.expect(1)
    kit.board.start(2000.0)
    kit.bench.wait(0.5)
    kit.journal.clear()
    before = kit.clock.now()
    assert kit.bench.come_to_rest()
    assert kit.journal == ["board stop", "brake release", "supply off"]
    assert kit.clock.now() - before > 0.2  # 2000 rpm at 8000 rpm/s
    assert not kit.bench.energised
    assert kit.bench.trace().mark("stop") is not None


def test_a_shaft_that_goes_on_turning_is_told_and_the_supply_is_off(kit: Kit) -> None:
    energised(kit)
    kit.bench.watch.expect(1)
    kit.board.start(2000.0)
    kit.bench.wait(0.5)
    kit.board.refuses = {"stop"}
    before = kit.clock.now()
    assert not kit.bench.come_to_rest()
    assert kit.clock.now() - before == pytest.approx(4.0, abs=0.02)
    assert not kit.supply.on


def test_coming_to_rest_without_supply_is_a_fault_of_the_bench(kit: Kit) -> None:
    energised(kit)
    kit.supply.on = False
    with pytest.raises(InstrumentError, match="by itself"):
        kit.bench.come_to_rest()


def test_making_safe_starts_with_the_supply(kit: Kit) -> None:
    energised(kit)
    assert kit.bench.make_safe() == []
    assert kit.journal == ["supply off", "brake release", "switch restore"]
    assert not kit.bench.energised


def test_making_safe_never_raises_does_everything_and_reports(kit: Kit) -> None:
    energised(kit)
    kit.supply.broken, kit.switch.broken = "no answer", "relay stuck"

    def defect() -> None:
        raise ZeroDivisionError("oops")

    kit.brake.release = defect
    problems = kit.bench.make_safe()
    assert problems == [
        f"{NOT_OFF}: no answer; the board read 24.0 V at its DC link 0.50 s later, as with "
        "the output still on at 24 V",
        "the brake may still be on: ZeroDivisionError: oops",
        "signal lines may still be open: relay stuck",
    ]
    assert kit.bench.energised  # nobody may believe it is off


def test_closing_makes_safe_and_releases_everything_whatever_happens(kit: Kit) -> None:
    energised(kit)
    actions = []

    def refuse() -> None:
        raise OSError("port vanished")

    kit.board.close = refuse
    kit.parts.on_close += [refuse, lambda: actions.append("closed")]
    problems = kit.bench.close()
    assert kit.journal[0] == "supply off"
    assert {"tachometer close", "brake close", "switch close", "supply close"} <= set(kit.journal)
    assert kit.journal[-1] == "supply close"
    assert actions == ["closed"]
    assert [text for text in problems if "port vanished" in text] == problems
    assert len(problems) == 2


def test_closing_on_every_way_out(kit: Kit) -> None:
    def interrupted() -> None:
        with closing(kit.bench) as bench:
            bench.energise(24.0)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert not kit.supply.on
    assert "board close" in kit.journal


def test_a_missing_brake_is_named(kit: Kit) -> None:
    assert kit.bench.require_brake() is kit.brake
    with pytest.raises(BenchError, match="needs a brake and the rig file names none"):
        kit.make(brake=None).require_brake()


# -- what is shown ------------------------------------------------------------------------


def test_an_observer_is_told_that_the_shaft_is_stopped_and_then_the_supply(kit: Kit) -> None:
    energised(kit)
    kit.bench.board.start(1000.0)
    told: list[tuple[str, bool]] = []
    kit.bench.observer = SimpleNamespace(
        step=lambda text: told.append((text, kit.bench.energised)), readings=lambda _: None
    )
    assert kit.bench.come_to_rest()
    assert told == [("stop, until the shaft stands", True), ("supply off", True)]
    assert not kit.bench.energised
