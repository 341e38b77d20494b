"""From the rig file to varied simulated rigs."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.bench.simulate import tolerances_of, twin_access, world_for
from hil.plan.load import load_rig
from hil.plan.population import Population
from hil.plan.rig import Rig
from hil.twin.population import Distribution, Spread, Tolerances, healthy_rig
from hil.twin.variation import Change, Variation

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(RIG)


def test_tolerances_in_the_units_of_the_simulation(rig) -> None:
    found = tolerances_of(rig)
    assert found.back_emf == Spread(0.06, Distribution.NORMAL)
    assert found.hall_placement == Spread(3.0, Distribution.RECTANGULAR)
    assert found.shunt_offset == Spread(0.03, Distribution.RECTANGULAR)
    assert found.supply_readback == Spread(1.0, Distribution.RECTANGULAR)
    assert found.ambient == Spread(10.0, Distribution.RECTANGULAR, 25.0)


def test_without_a_population_nothing_is_toleranced(rig) -> None:
    twin = rig.twin.model_copy(update={"population": Population()})
    assert tolerances_of(rig.model_copy(update={"twin": twin})) == Tolerances()


def test_every_stated_tolerance_arrives(rig) -> None:
    paths = {change.path for change in healthy_rig(tolerances_of(rig), 1, 1).changes}
    assert len(paths) == 23
    world_for(rig, 1, healthy_rig(tolerances_of(rig), 1, 1)).close()


def test_a_world_has_the_varied_drive_firmware_and_supply(rig) -> None:
    variation = Variation(
        "odd",
        (
            Change("drive.motor.resistance", 2.0, "scale"),
            Change("firmware.version", "9.9.9"),
            Change("supply.voltage", 40.0),
        ),
    )
    world = world_for(rig, "seed", variation)
    plain = world_for(rig, "seed")
    try:
        assert world.drive.parameters.motor.resistance == pytest.approx(2.4)
        assert "9.9.9" in world.drive.firmware.name
        assert world.instruments[rig.supply.resource].rating.voltage == 40.0
        assert plain.drive.parameters.motor.resistance == pytest.approx(1.2)
        assert (
            world.drive.parameters.motor.initial_angle_deg
            == plain.drive.parameters.motor.initial_angle_deg
        ), "the seed decides, not the variation"
    finally:
        world.close()
        plain.close()


def test_the_readback_error_belongs_to_the_rig_not_to_the_seed(rig) -> None:
    variation = healthy_rig(tolerances_of(rig), 1, 9)
    gains = set()
    for seed in ("1/a", "1/b"):
        world = world_for(rig, seed, variation)
        gains.add(world.instruments[rig.supply.resource]._voltmeter.gain)
        world.close()
    assert len(gains) == 1


def test_without_variation_the_seed_decides_the_readback_error(rig) -> None:
    gains = set()
    for seed in ("1/a", "1/b"):
        world = world_for(rig, seed)
        gains.add(world.instruments[rig.supply.resource]._voltmeter.gain)
        world.close()
    assert len(gains) == 2


def test_access_to_a_varied_bench(rig) -> None:
    access = twin_access(rig, "s", Variation("", (Change("supply.voltage", 20.0),)))
    try:
        supply = access.visa.open_resource(
            rig.supply.resource, read_termination="\n", write_termination="\n"
        )
        assert float(supply.query("VOLT? MAX")) == 20.0
        supply.close()
    finally:
        for action in access.on_close:
            action()


def test_a_parameter_that_does_not_exist(rig) -> None:
    with pytest.raises(ValueError, match="no parameter"):
        world_for(rig, "s", Variation("", (Change("drive.motor.colour", 1.0),)))
