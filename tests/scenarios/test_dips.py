"""A dip with an edge: led there by set points, measured, and refused where it cannot be made."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from hil.core.drive import Fault
from hil.core.errors import InstrumentError
from hil.plan import steps as plan
from hil.plan.read_steps import read_step
from hil.scenarios.steps import Steps

Kit = SimpleNamespace


def set_points(kit: Kit) -> list[float]:
    return [float(call.split()[2]) for call in kit.journal if call.startswith("supply set ")]


@pytest.mark.parametrize("edge", [20.0, 60.0, 200.0])
def test_the_supply_is_led_down_and_up(kit: Kit, steps: Steps, edge: float) -> None:
    begun = kit.clock.now()
    steps.dip(18.0, 0.2, edge)
    volts = set_points(kit)
    low = volts.index(18.0)
    assert volts[: low + 1] == sorted(volts[: low + 1], reverse=True)
    assert volts[low:] == sorted(volts[low:])
    assert volts[-1] == 24.0
    assert low >= 4
    assert kit.clock.now() - begun == pytest.approx(0.2 + 2 * 6.0 / edge, abs=0.1)
    (mark,) = [mark for mark in kit.bench.trace().marks if mark.name == "dip"]
    asked, _, measured = mark.detail.removeprefix("18 V, ").partition(" V/s measured ")
    assert float(asked) == edge
    assert float(measured.removesuffix(" V/s")) == pytest.approx(edge, rel=0.25)


def test_a_dip_to_where_the_supply_is_has_no_way_to_be_led(kit: Kit, steps: Steps) -> None:
    steps.dip(24.0, 0.2, 40.0)
    assert set(set_points(kit)) == {24.0}


def test_a_supply_that_takes_its_time_for_a_set_point_makes_a_stair(
    kit: Kit, steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = type(kit.bench.supply).set_voltage

    def slowly(self: object, voltage: float) -> None:
        kit.clock.sleep(0.1)
        taken(self, voltage)

    monkeypatch.setattr(type(kit.bench.supply), "set_voltage", slowly)
    with pytest.raises(InstrumentError, match=r"an edge of 20 V/s from 24 V to 18 V: it took 4"):
        steps.dip(18.0, 0.2, 20.0)


def test_a_supply_that_does_not_follow_is_refused(
    kit: Kit, steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = type(kit.bench.supply).set_voltage
    lagging = lambda self, v: taken(self, 24.0 - 0.5 * (24.0 - v))  # noqa: E731
    monkeypatch.setattr(type(kit.bench.supply), "set_voltage", lagging)
    with pytest.raises(InstrumentError, match=r"at this load: it measured (9\.9|10)\S* V/s, exp"):
        steps.dip(18.0, 0.2, 20.0)
    kit.board.trip(Fault.UNDER_VOLTAGE)  # then nothing takes the DC link down, and the fault tells
    kit.bench.poll()
    steps.dip(18.0, 0.2, 20.0)


def test_how_it_stands_in_a_plan() -> None:
    assert read_step({"dip": "18 V", "for": "0.1 s"}) == plan.Dip(18.0, 0.1)
    with_edge = {"dip": {"to": "18 V", "edge": "40 V/s"}, "for": "0.1 s"}
    assert read_step(with_edge) == plan.Dip(18.0, 0.1, 40.0)
    assert read_step({"dip": {"to": "18 V", "edge": "0.04 V/ms"}, "for": "1 s"}).edge == 40.0


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ({"to": "18 V", "slope": "1 V/s"}, "dip: unknown key 'slope'"),
        ({"edge": "40 V/s"}, "dip: expected 'to' with a voltage"),
        ({"to": "18 V", "edge": "40 V"}, "expected a slew with its unit"),
        ({"to": "18 V", "edge": "0 V/s"}, "expected a slew above zero"),
    ],
)
def test_what_is_no_dip(value: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        read_step({"dip": value, "for": "0.1 s"})
