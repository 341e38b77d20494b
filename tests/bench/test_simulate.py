"""The simulated bench is built from the rig file."""

import dataclasses
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hil.bench.simulate import POLL, poll_of, seed_number, world_for
from hil.plan.load import load_profile
from hil.plan.rig import Rig
from hil.twin.world import VirtualClock

PROFILES = Path(__file__).parents[2] / "testplans" / "profiles"


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


def test_its_supply_gives_what_the_rig_file_asks_of_it(rig: Rig) -> None:
    """A fork-lift's 80 V drive with 120 A is simulated as the pump is."""
    large = rig.supply.model_copy(
        update={"max_voltage": 110.0, "over_voltage_limit": 120.0, "current_limit": 120.0}
    )
    world = world_for(rig.model_copy(update={"supply": large}), "1")
    supply = world.instruments[rig.supply.resource]
    supply.execute("VOLT:PROT 120;:CURR 120;:VOLT 110;:OUTP ON")
    world.advance(0.5)
    assert float(supply.execute("MEAS:VOLT?")) == pytest.approx(110.0, rel=0.01)
    assert supply.execute("SYST:ERR?").startswith(("0,", "+0,"))
    world.close()


@pytest.mark.parametrize(
    ("profile", "seconds"),
    [
        ("dosing-lines", POLL),
        ("examples/nmea", 0.01),  # without a time of the board
        ("examples/modbus", 0.01),  # which says nothing unless it is asked
    ],
)
def test_how_often_a_bench_is_looked_at(profile: str, seconds: float) -> None:
    assert poll_of(load_profile(PROFILES / f"{profile}.profile.yaml")) == seconds


def test_a_board_that_must_be_asked_often_is_asked_often() -> None:
    told = load_profile(PROFILES / "examples" / "modbus.profile.yaml")
    polls = tuple(dataclasses.replace(poll, period=0.004) for poll in told.polls)
    assert poll_of(dataclasses.replace(told, polls=polls)) == 0.004


@settings(
    deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(pieces=st.lists(st.floats(0.0, 0.12), min_size=1, max_size=12), look=st.integers(0, 3))
def test_sleeping_is_the_same_as_advancing(rig: Rig, pieces: list[float], look: int) -> None:
    def run(lazy: bool) -> list[object]:
        world = world_for(rig, "asleep")
        clock = VirtualClock(world)
        supply, tachometer, *_ = world.instruments.values()
        supply.execute("CURR 5;VOLT 24;:OUTP ON")
        tachometer.execute("INIT")
        world.send(b"stream,200\nstart,1500\n")
        found: list[object] = []
        for number, piece in enumerate(pieces):
            (clock.sleep if lazy else world.advance)(piece)
            found.append(world.now)
            if number % 4 == look:
                found.append(world.receive())
        found.append(world.receive())
        return [*found, supply.execute("MEAS:VOLT?"), tachometer.execute("FETC:ARR?")]

    assert run(lazy=True) == run(lazy=False)
