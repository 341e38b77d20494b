"""Over-current protection from rig file to trip, on the simulated bench."""

from __future__ import annotations

import pytest

import hil.bench.simulate
from hil.bench.bench import closing
from hil.bench.open import open_bench
from hil.bench.prove import set_limits
from hil.bench.supply_watch import ProtectionTripped
from hil.core.errors import InstrumentError
from hil.plan.rig import Rig
from hil.ports.supply_commands import OverCurrent, SupplyCommands
from hil.twin.instruments.supply import SimulatedSupply


@pytest.fixture
def protected(rig: Rig) -> Rig:
    """The rig, with its supply's over-current protection described."""
    found = rig.model_copy()
    found._commands = {"supply": SupplyCommands(over_current=OverCurrent())}
    return found


@pytest.fixture
def supplies(monkeypatch: pytest.MonkeyPatch) -> list[SimulatedSupply]:
    """Every supply that is simulated."""
    made: list[SimulatedSupply] = []
    original = hil.bench.simulate.world_for

    def world_for(*args, **options):
        world = original(*args, **options)
        made.extend(one for one in world.instruments.values() if isinstance(one, SimulatedSupply))
        return world

    monkeypatch.setattr(hil.bench.simulate, "world_for", world_for)
    return made


def test_an_overload_in_mid_scenario_trips_it_and_is_told_as_that(protected, supplies) -> None:
    with closing(open_bench(protected, True, {}, seed="1")) as bench:
        (supply,) = supplies
        bench.begin_trace()
        bench.energise(24.0)  # that charges the DC link at the current limit
        assert supply.current_protected
        assert supply.current_trip["level"] == protected.supply.current_limit
        bench.begin_trace()
        bench.wait(0.2)
        supply.execute("CURR 0.02")  # a short would look the same: the limit is reached
        with pytest.raises(ProtectionTripped) as caught:
            bench.wait(2.0)
        assert supply.current_tripped
        assert str(caught.value).startswith("the supply's over-current protection tripped by 0.")
        assert f"current limit {protected.supply.current_limit:g} A" in str(caught.value)


def test_the_preflight_tells_that_it_is_on(rig, protected) -> None:
    for one, told in (
        (rig, "protection at 46 V: set"),
        (protected, "V, over-current protection on"),
    ):
        with closing(open_bench(one, True, {}, seed="1")) as bench:
            assert told in set_limits(bench, one)[1]


@pytest.mark.parametrize("stuck", ["current_protected", "level", "protection"])
def test_the_output_stays_off_where_a_protection_reads_back_otherwise(
    protected, supplies, stuck: str
) -> None:
    class Levels(dict):
        def __setitem__(self, name: str, value: float) -> None:
            if name != stuck:
                super().__setitem__(name, value)

    class Deaf(SimulatedSupply):
        current_protected = property(lambda _self: False, lambda _self, _on: None)

    with closing(open_bench(protected, True, {}, seed="1")) as bench:
        (supply,) = supplies
        supply.levels, supply.current_trip = Levels(supply.levels), Levels(supply.current_trip)
        if stuck == "current_protected":
            supply.__class__ = Deaf
        on = []
        supply.on = False
        supply._apply_before, supply._apply = supply._apply, lambda: on.append(supply.on)
        with pytest.raises(InstrumentError, match=r"protection .* reads back"):
            bench.energise(24.0)
        supply._apply = supply._apply_before
        assert not any(on)
        assert not bench.energised
