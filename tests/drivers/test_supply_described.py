"""A supply that is only described, made with PyVISA-sim: own words, two outputs, no protection."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import pytest
import pyvisa

from hil.core.errors import InstrumentError
from hil.drivers.scpi import ScpiConfig
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.ports.clock import WallClock
from hil.ports.supply_commands import SCPI_1999, Channel, SupplyCommands, Watchdog

SIMULATED = Path(__file__).with_name("two_outputs.sim.yaml")
RESOURCE = "TCPIP::localhost::5025::SOCKET"

COMMANDS = SupplyCommands(
    name="two outputs",
    voltage="VSET {value:.3f}",
    voltage_query="VSET?",
    current="ISET {value:.3f}",
    current_query="ISET?",
    protection="",
    protection_query="",
    tripped="",
    clear="",
    output_on="STATE 1",
    output_off="STATE 0",
    output_query="STATE?",
    measure_voltage="VOUT?",
    measure_current="IOUT?",
    error_query="",
    channel=Channel(number=1, by="prefix", text="OUTPUT {number}:"),
)
SECOND = replace(COMMANDS, channel=Channel(number=2, by="prefix", text="OUTPUT {number}:"))


class Told:
    """Clock by hand."""

    def __init__(self) -> None:
        self.time = 0.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


@pytest.fixture
def simulated(tmp_path):
    own = tmp_path / SIMULATED.name  # the devices of one file live as long as the process
    own.write_bytes(SIMULATED.read_bytes())
    manager = pyvisa.ResourceManager(f"{own}@sim")
    yield manager
    manager.close()


def supply_of(manager, commands, clock=None) -> ScpiSupply:
    scpi = ScpiConfig(resource=RESOURCE, role="supply", expect="TWO-OUTPUTS", timeout=0.3)
    config = SupplyConfig(scpi=scpi, commands=commands)
    return ScpiSupply.open(config, clock or WallClock(), manager)


def ask(manager, query: str) -> str:
    resource = manager.open_resource(RESOURCE, read_termination="\n", write_termination="\n")
    try:
        return resource.query(query)
    finally:
        resource.close()


def test_it_is_driven_in_its_own_words(simulated) -> None:
    supply = supply_of(simulated, COMMANDS)
    assert supply.identify().model == "TWO-OUTPUTS"
    assert not supply.is_on()
    supply.prepare(12.0, 2.0, 15.0)
    supply.switch_on()
    assert supply.is_on()
    reading = supply.measure()
    assert (reading.voltage, reading.current) == (11.98, 0.25)
    supply.switch_off()
    assert not supply.is_on()
    supply.close()


def test_the_other_output_is_left_alone(simulated) -> None:
    second = supply_of(simulated, SECOND)
    second.prepare(5.0, 0.5, 6.0)
    assert ask(simulated, "OUTPUT 2:VSET?") == "5.000"
    assert ask(simulated, "OUTPUT 2:STATE?") == "0"
    assert ask(simulated, "OUTPUT 1:VSET?") == "0.000"
    assert ask(simulated, "OUTPUT 1:STATE?") == "1"
    second.close()


def test_a_value_out_of_its_range_is_an_error_without_an_error_queue(simulated) -> None:
    supply = supply_of(simulated, COMMANDS)
    with pytest.raises(InstrumentError, match="'COMMAND ERROR', expected a number"):
        supply.set_voltage(31.0)
    supply.close()


def test_what_it_lacks_is_said_and_not_pretended(simulated) -> None:
    supply = supply_of(simulated, COMMANDS)
    assert supply.lacks == (
        "no over-voltage protection: nothing in the supply limits its voltage",
        "no error queue: a refused command shows only in what is read back",
    )
    for action in (lambda: supply.set_protection(5.0), supply.tripped, supply.clear_protection):
        with pytest.raises(InstrumentError, match="no over-voltage protection"):
            action()
    supply.close()
    assert SCPI_1999.lacks == ()


def test_a_voltage_above_the_limit_is_refused_even_without_protection(simulated) -> None:
    supply = supply_of(simulated, COMMANDS)
    with pytest.raises(InstrumentError, match="must lie below the over-voltage limit"):
        supply.prepare(15.0, 1.0, 15.0)
    supply.close()


def test_the_gap_between_messages_is_kept(simulated) -> None:
    clock = Told()
    supply = supply_of(simulated, replace(COMMANDS, command_gap=0.05), clock)
    begun = clock.now()
    supply.measure()
    assert clock.now() - begun == pytest.approx(0.1)
    supply.close()


# -- addressing and watchdog, on a socket that keeps what it was told ----------------------


@pytest.mark.parametrize(
    ("channel", "text", "value", "sent"),
    [
        (None, "VOLT {value}", 5.0, "VOLT 5"),
        (None, "VSET1:{value:06.3f}", 5.0, "VSET1:05.000"),
        (Channel(number=2), "VOLT {value}", 5.0, "INST:NSEL 2;:VOLT 5"),
        (Channel(number=2), "VOLT?", None, "INST:NSEL 2;:VOLT?"),
        (Channel(number=2), ":VOLT?", None, "INST:NSEL 2;:VOLT?"),
        (Channel(number=3, by="list"), "VOLT {value}", 0.1, "VOLT 0.1,(@3)"),
        (Channel(number=3, by="list"), "MEAS:VOLT?", None, "MEAS:VOLT? (@3)"),
        (Channel(number=3, by="list"), "OUTP ON", None, "OUTP ON,(@3)"),
        (Channel(number=1, by="prefix", text="CH{number}:"), "VOLT?", None, "CH1:VOLT?"),
    ],
)
def test_how_an_output_is_addressed(channel, text, value, sent) -> None:
    assert replace(SCPI_1999, channel=channel).message(text, value) == sent


def test_the_watchdog_is_fed_while_the_output_is_on(serve, manager, simple_supply) -> None:
    simple_supply.points["DOG"] = 0.0
    peer = serve(simple_supply)
    clock = Told()
    dog = Watchdog(enable="DOG 5", disable="DOG 0", keep_alive="DOG 4", interval=1.0)
    config = SupplyConfig(
        scpi=ScpiConfig(resource=peer.resource, role="supply", timeout=0.3),
        commands=replace(SCPI_1999, watchdog=dog),
    )
    supply = ScpiSupply.open(config, clock, manager)
    supply.prepare(12.0, 1.0, 15.0)
    assert not [message for message in peer.received if message.startswith("DOG")]
    supply.switch_on()
    assert peer.received.index("DOG 5") < peer.received.index("OUTP ON")
    for _ in range(20):
        clock.time += 0.1
        supply.measure()
    assert peer.received.count("DOG 4") == pytest.approx(4, abs=1)
    supply.switch_off()
    deadline = time.monotonic() + 5.0  # a command has no answer to wait for
    while peer.received[-1] != "DOG 0":
        assert time.monotonic() < deadline, peer.received[-5:]
        time.sleep(0.01)
    assert peer.received.index("DOG 0") > peer.received.index("OUTP ON")
    fed = peer.received.count("DOG 4")
    clock.time += 5.0
    supply.measure()
    assert peer.received.count("DOG 4") == fed
    supply.close()


@pytest.mark.parametrize(("reads", "on"), [("5", True), ("5.000", True), ("1", False)])
def test_a_watchdog_that_is_not_enabled_keeps_the_output_off(
    serve, manager, simple_supply, reads: str, on: bool
) -> None:
    simple_supply.points["DOG"] = 0.0
    peer = serve(simple_supply)
    dog = Watchdog(enable="DOG 5", query="DOG?", reads=reads)
    config = SupplyConfig(
        scpi=ScpiConfig(resource=peer.resource, role="supply", timeout=0.3),
        commands=replace(SCPI_1999, watchdog=dog),
    )
    supply = ScpiSupply.open(config, Told(), manager)
    supply.prepare(12.0, 1.0, 15.0)
    if on:
        supply.switch_on()
    else:
        with pytest.raises(InstrumentError, match=r"'DOG\?' is answered with '5.*', expected '1'"):
            supply.switch_on()
        assert "OUTP ON" not in peer.received
    assert supply.is_on() is on
    supply.close()


@pytest.mark.parametrize(
    ("changes", "sent"),
    [
        ({}, "MEAS:VOLT?;:MEAS:CURR?"),
        ({"together": False}, ""),
        ({"measure_current": "IOUT?"}, ""),
        ({"measure_current": "*IOUT?", "together": True}, "MEAS:VOLT?;*IOUT?"),
        ({"channel": Channel(number=2)}, "INST:NSEL 2;:MEAS:VOLT?;:MEAS:CURR?"),
        ({"channel": Channel(number=2, by="list")}, "MEAS:VOLT? (@2);:MEAS:CURR? (@2)"),
        (
            {"channel": Channel(number=2, by="prefix", text="CH{number}:")},
            "CH2:MEAS:VOLT?;:CH2:MEAS:CURR?",
        ),
    ],
)
def test_how_both_readings_are_asked_for(changes, sent) -> None:
    assert replace(SCPI_1999, **changes).measure_both == sent
