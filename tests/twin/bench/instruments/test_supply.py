"""Set points, protection, current limit and readback of the simulated supply."""

from __future__ import annotations

import pytest

from hil.core.trace import Accuracy
from hil.twin.instruments.supply import SimulatedSupply, SupplyRating
from hil.twin.world import World

NAME = "TCPIP0::127.0.0.1::5025::SOCKET"


@pytest.fixture
def supply(world: World) -> SimulatedSupply:
    found = world.instruments[NAME]
    assert isinstance(found, SimulatedSupply)
    return found


def numbers(reply: str) -> list[float]:
    return [float(part) for part in reply.split(";")]


def error(supply: SimulatedSupply) -> int:
    return int(supply.execute("SYST:ERR?").split(",")[0])


def test_power_on_state_is_off(supply, drive) -> None:
    assert not drive.on
    assert supply.execute("OUTP?;VOLT:PROT:TRIP?") == "0;0"
    assert numbers(supply.execute("VOLT?;CURR?;VOLT:PROT?")) == [0.0, 0.0, 66.0]


def test_set_points_reach_the_drive_and_read_back(supply, drive) -> None:
    supply.execute("VOLT:PROT 30;:CURR 5;:VOLT 24")
    assert (drive.voltage, drive.limit, drive.on) == (24.0, 5.0, False)
    supply.execute("OUTP ON")
    assert drive.on
    assert numbers(supply.execute("VOLT?;CURR?;VOLT:PROT?;:OUTP?")) == [24.0, 5.0, 30.0, 1.0]
    supply.execute("SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE 2.4E1V;:OUTPUT:STATE 0")
    assert not drive.on
    assert error(supply) == 0


def test_set_points_have_a_resolution(supply, drive) -> None:
    supply.execute("VOLT 12.34567")
    assert numbers(supply.execute("VOLT?")) == [pytest.approx(12.346, abs=1e-9)]
    assert drive.voltage == pytest.approx(12.346, abs=1e-9)
    supply.execute("VOLT MAX;CURR MIN")
    assert numbers(supply.execute("VOLT?;VOLT? MIN;VOLT? MAX;CURR?")) == [60.0, 0.0, 60.0, 0.0]


@pytest.mark.parametrize(
    "command", ["VOLT 60.1", "VOLT -1", "CURR 20.5", "VOLT:PROT 67", "CURR INF"]
)
def test_out_of_range_is_refused_and_changes_nothing(supply, drive, command: str) -> None:
    # Q9 (V-D): -222 data out of range, an execution error
    supply.execute("VOLT 24;CURR 5;*CLS")
    supply.execute(command)
    assert error(supply) == -222
    assert supply.execute("*ESR?") == "16"
    assert (drive.voltage, drive.limit) == (24.0, 5.0)
    assert numbers(supply.execute("VOLT:PROT?")) == [66.0]


def test_unknown_and_incomplete_commands(supply) -> None:
    for command, code in (
        ("VOLTA 1", -113),
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("OUTP MAYBE", -141),
    ):
        supply.execute(command)
        assert error(supply) == code


def test_over_voltage_trips_and_latches(supply, world, drive) -> None:
    # Q21: VOLT:PROT (V-D), TRIPped? and CLEar (M)
    supply.execute("VOLT:PROT 30;:CURR 5;:VOLT 24;:OUTP ON")
    world.advance(0.02)
    assert supply.execute("VOLT:PROT:TRIP?") == "0"
    drive.pumped = 6.5  # a reversal pumps the DC link to 30.5 V
    world.advance(0.01)
    assert not drive.on
    assert supply.execute("VOLT:PROT:TRIP?;:OUTP?;:STAT:QUES:COND?") == "1;0;1"
    drive.pumped = 0.0
    world.advance(0.1)
    assert supply.execute("VOLT:PROT:TRIP?") == "1"
    supply.execute("OUTP ON")
    assert error(supply) == -221  # Q9 (V-D): settings conflict
    assert not drive.on
    supply.execute("VOLT:PROT:CLE")
    assert supply.execute("VOLT:PROT:TRIP?;:OUTP?") == "0;0", "clearing does not switch on"
    supply.execute("OUTP ON")
    assert drive.on
    assert supply.execute("STAT:QUES:EVEN?;COND?") == "1;0"


def test_setting_above_the_protection_trips(supply, world, drive) -> None:
    supply.execute("VOLT:PROT 20;:CURR 5;:VOLT 24;:OUTP ON")
    world.advance(0.005)
    assert supply.tripped
    assert not drive.on


def test_protection_can_be_disabled(supply, world) -> None:
    supply.execute("VOLT:PROT 20;PROT:STAT OFF;:CURR 5;:VOLT 24;:OUTP ON")
    world.advance(0.1)
    assert supply.execute("VOLT:PROT:STAT?;TRIP?;:OUTP?") == "0;0;1"
    supply.execute("VOLT:PROT:STAT ON")
    world.advance(0.005)
    assert supply.execute("OUTP:PROT:CLE;:OUTP?") == "0"
    assert not supply.tripped


def test_an_output_that_is_off_does_not_trip(supply, world, drive) -> None:
    supply.execute("VOLT:PROT 20;:CURR 5;:VOLT 24")
    world.advance(0.1)
    assert supply.execute("VOLT:PROT:TRIP?") == "0"
    assert not drive.on


def test_reset_switches_off_and_clears(supply, world, drive) -> None:
    supply.execute("VOLT:PROT 20;:CURR 5;:VOLT 24;:OUTP ON")
    world.advance(0.01)
    supply.execute("*RST")
    assert (drive.voltage, drive.limit, drive.on) == (0.0, 0.0, False)
    assert numbers(supply.execute("VOLT:PROT?;PROT:TRIP?;STAT?")) == [66.0, 0.0, 1.0]


def test_measured_values_follow_the_drive_within_accuracy(supply, world, drive) -> None:
    supply.execute("CURR 5;VOLT 24;:OUTP ON")
    drive.target = 1000.0
    world.advance(1.0)
    voltage, current = numbers(supply.execute("MEAS:VOLT?;:MEASURE:SCALAR:CURRENT:DC?"))
    assert voltage == pytest.approx(24.0, abs=0.0005 * 24 + 0.005 + 0.001)
    assert current == pytest.approx(drive.supply_current, abs=0.001 * 1.1 + 0.005 + 0.001)
    assert drive.supply_current == pytest.approx(1.1, abs=0.001)
    assert supply.execute("STAT:QUES:COND?") == "0"


def test_current_limit_is_reported(supply, world, drive) -> None:
    supply.execute("CURR 0.5;VOLT 24;:OUTP ON")
    drive.target = 2000.0
    world.advance(1.0)
    assert supply.execute("STAT:QUES:COND?") == "2"
    voltage, current = numbers(supply.execute("MEAS:VOLT?;:MEAS:CURR?"))
    assert current == pytest.approx(0.5, abs=0.01)
    assert voltage < 10.0
    supply.execute("CURR 5")
    world.advance(0.01)
    assert supply.execute("STAT:QUES:EVEN?;COND?") == "2;0"


def test_readback_errors_depend_on_the_seed_only(make_world) -> None:
    def reading(seed: int) -> str:
        world, _ = make_world(seed)
        supply = world.instruments[NAME]
        supply.execute("CURR 5;VOLT 24;:OUTP ON")
        world.advance(0.01)
        reply = supply.execute("MEAS:VOLT?;:MEAS:CURR?")
        world.close()
        return reply

    assert reading(1) == reading(1)
    assert len({reading(seed) for seed in range(8)}) > 4


def test_rating_sets_the_limits(drive) -> None:
    rating = SupplyRating(voltage=30.0, current=3.0, over_voltage=33.0, voltage_accuracy=Accuracy())
    supply = SimulatedSupply(drive, rating, serial="S42")
    assert supply.execute("*IDN?") == "GREENHOUSE BENCH,SIM-SUPPLY,S42,1.0"
    assert numbers(supply.execute("VOLT? MAX;CURR? MAX;VOLT:PROT? DEF")) == [30.0, 3.0, 33.0]
    supply.execute("CURR 1;VOLT 30;:OUTP ON")
    assert numbers(supply.execute("MEAS:VOLT?")) == [30.0]
    supply.power_off()
    assert not drive.on


def test_a_relay_that_sticks(supply, drive) -> None:
    supply.stuck_off = True
    supply.execute("CURR 5;VOLT 24;:OUTP ON")
    assert supply.execute("OUTP?") == "0"
    assert not drive.on
    assert error(supply) == 0


# -- over-current protection ---------------------------------------------------------------


def loaded(supply, drive, world, *, amperes: float) -> None:
    """On at 24 V, with a current limit of 5 A, after what it is told in between, and loaded."""
    supply.execute("CURR 5;:VOLT 24;:OUTP ON")
    drive.brake = (amperes - 0.1) / 10.0
    world.advance(0.0)


def test_over_current_trips_after_its_delay_and_latches(supply, world, drive) -> None:
    # SCPI-1999 vol. 2, SOURce:CURRent:PROTection: LEVel, STATe, TRIPped?, CLEar
    supply.execute("CURR:PROT 4;:CURR:PROT:DEL 0.2;STAT ON")
    loaded(supply, drive, world, amperes=4.5)
    world.advance(0.15)
    assert supply.execute("CURR:PROT:TRIP?;:OUTP?") == "0;1"
    world.advance(0.1)
    assert supply.execute("CURR:PROT:TRIP?;:VOLT:PROT:TRIP?;:OUTP?;:STAT:QUES:COND?") == "1;0;0;2"
    assert not drive.on
    supply.execute("OUTP ON;:VOLT:PROT:CLE")
    assert error(supply) == -221
    assert supply.execute("CURR:PROT:TRIP?") == "1"
    supply.execute("CURR:PROT:CLE")
    assert supply.execute("CURR:PROT:TRIP?;:OUTP?;:STAT:QUES:COND?") == "0;0;0"
    drive.brake = 0.0
    supply.execute("OUTP ON")
    world.advance(0.5)
    assert drive.on


def test_a_peak_that_is_over_before_the_delay_does_not_trip(supply, world, drive) -> None:
    supply.execute("CURR:PROT 4;:CURR:PROT:DEL 0.2;STAT ON")
    for _ in range(3):
        loaded(supply, drive, world, amperes=4.5)
        world.advance(0.15)
        drive.brake = 0.0
        world.advance(0.05)
    assert not supply.current_tripped


@pytest.mark.parametrize(("state", "tripped"), [("ON", True), ("OFF", False)])
def test_at_the_current_limit_it_trips_if_it_is_enabled(supply, world, drive, state, tripped):
    supply.execute(f"CURR:PROT:STAT {state}")
    loaded(supply, drive, world, amperes=9.0)
    world.advance(1.0)
    assert supply.current_tripped is tripped
    assert drive.on is not tripped


def test_how_over_current_protection_is_after_power_on(supply) -> None:
    assert numbers(supply.execute("CURR:PROT?;:CURR:PROT:DEL?;STAT?;TRIP?")) == [20.0, 0.1, 0, 0]
    supply.execute("CURR:PROT 3;:CURR:PROT:STAT ON;DEL 1;:CURR:PROT 21")
    assert error(supply) == -222
    assert numbers(supply.execute("CURR:PROT?;:CURR:PROT:DEL?;STAT?")) == [3.0, 1.0, 1]
    supply.trip_over_current()
    supply.execute("*RST")
    assert numbers(supply.execute("CURR:PROT?;:CURR:PROT:DEL?;STAT?;TRIP?")) == [20.0, 0.1, 0, 0]


def test_one_command_clears_both_protections(supply) -> None:
    supply.trip_over_current()
    supply.tripped = True
    supply.execute("OUTP:PROT:CLE")
    assert supply.execute("CURR:PROT:TRIP?;:VOLT:PROT:TRIP?;:OUTP?") == "0;0;0"
