"""The simulated bench is built from the rig file."""

import math

import pytest

from hil.bench.simulate import drive_parameters, seed_number, world_for


def test_a_text_seed_is_the_same_number_everywhere() -> None:
    """First four bytes of SHA-256, little endian; of "abc" they are ba7816bf (FIPS 180-4)."""
    assert seed_number("abc") == 0xBF1678BA
    assert seed_number("1/start.hall") != seed_number("1/start.back-emf")


def test_the_nameplate_reaches_the_motor(rig) -> None:
    found = drive_parameters(rig, 1)
    motor = found.motor
    assert (motor.pole_pairs, motor.back_emf, motor.resistance) == (4, 0.04, 1.2)
    assert motor.inductance == pytest.approx(1.4e-3)
    assert motor.viscous == pytest.approx(0.002 / (4000.0 * math.pi / 30.0))
    assert found.baud == 230400


def test_the_shaft_rests_anywhere_but_at_the_same_place_for_the_same_seed(rig) -> None:
    angles = [drive_parameters(rig, seed).motor.initial_angle_deg for seed in (1, 1, 2)]
    assert angles[0] == angles[1]
    assert angles[0] != angles[2]
    assert all(0.0 <= angle < 360.0 for angle in angles)
    twin = rig.twin.model_copy(update={"start_angle": 12.0})
    fixed = drive_parameters(rig.model_copy(update={"twin": twin}), 1)
    assert fixed.motor.initial_angle_deg == 12.0


@pytest.mark.parametrize(
    ("absorbed", "chopper", "two_way"),
    [
        ("dc-link-capacitor", False, False),
        ("load-resistor", True, False),
        ("two-quadrant-supply", False, True),
    ],
)
def test_braking_energy_goes_where_the_rig_file_says(
    rig, absorbed: str, chopper: bool, two_way: bool
) -> None:
    part = rig.regeneration.model_copy(update={"absorbed_by": absorbed})
    found = drive_parameters(rig.model_copy(update={"regeneration": part}), 1)
    assert math.isfinite(found.bridge.chopper_on) is chopper
    assert found.supply.two_way is two_way


def test_every_instrument_is_there_under_its_own_resource_name(rig) -> None:
    world = world_for(rig, "1")
    roles = {resource: one.role for resource, one in world.instruments.items()}
    assert roles == {
        rig.supply.resource: "supply",
        rig.tachometer.resource: "tachometer",
        rig.brake.resource: "brake",
        rig.switch.resource: "switch",
    }
    world.close()
