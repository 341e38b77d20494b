"""The simulated bench is built from the rig file."""

from hil.bench.simulate import seed_number, world_for


def test_a_text_seed_is_the_same_number_everywhere() -> None:
    """First four bytes of SHA-256, little endian; of "abc" they are ba7816bf (FIPS 180-4)."""
    assert seed_number("abc") == 0xBF1678BA
    assert seed_number("1/start.hall") != seed_number("1/start.back-emf")


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
