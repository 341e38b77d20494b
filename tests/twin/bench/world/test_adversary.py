"""A schedule carried out on a bench in virtual time, each kind seen by who uses the bench."""

from __future__ import annotations

import math

import pytest
import pyvisa
import serial

from hil.twin.adversary import Adversary
from hil.twin.instruments.interlock import SimulatedInterlock
from hil.twin.trouble import KINDS, Trouble
from hil.twin.wires.registry import publish
from hil.twin.wires.visa import visa_library
from hil.twin.world import World

SUPPLY = "TCPIP0::127.0.0.1::5025::SOCKET"
LINES = {"read_termination": "\n", "write_termination": "\n", "timeout": 300}


def installed(world: World, *troubles: Trouble, **more: object) -> list[str]:
    told: list[str] = []
    adversary = Adversary(world, troubles, tell=told.append, **more)  # type: ignore[arg-type]
    adversary.install()
    return told


@pytest.fixture
def port(world: World):
    with serial.serial_for_url(publish(world), timeout=0.2) as opened:
        yield opened


@pytest.fixture
def supply(world: World):
    manager = pyvisa.ResourceManager(visa_library(world))
    yield manager.open_resource(SUPPLY, **LINES)
    manager.close()


def fails(action) -> str:
    with pytest.raises(pyvisa.VisaIOError) as caught:
        action()
    return caught.value.abbreviation


def test_nothing_happens_before_its_time_and_it_is_told_when(world: World, port) -> None:
    told = installed(world, Trouble("board-silent", 1.0, 0.5), origin=2.0)
    world.advance(2.9)
    port.write(b"id\n")
    assert port.readline().startswith(b"id,")
    world.advance(3.1 - world.now)
    port.write(b"id\n")
    assert port.readline() == b""
    world.advance(3.6 - world.now)
    port.write(b"id\n")
    assert port.readline().startswith(b"id,")
    assert told == [
        "begins: board-silent at 1 s for 0.5 s",
        "over: board-silent at 1 s for 0.5 s",
    ]


def test_it_acts_at_its_time_within_one_long_stretch(world: World) -> None:
    seen: list[float] = []
    troubles = [Trouble("supply-error", at, value=-330.0) for at in (0.0123, 0.9)]
    Adversary(world, troubles, tell=lambda _text: seen.append(world.now)).install()
    world.advance(2.0)
    assert seen == pytest.approx([0.0123, 0.9], abs=1e-9)


def test_latency_of_the_board(world: World, port) -> None:
    port.timeout = 1.0
    port.write(b"id\n")
    port.readline()
    begun = world.now
    port.write(b"id\n")
    port.readline()
    usual = world.now - begun
    installed(world, Trouble("board-latency", 0.0, value=0.2))
    world.advance(0.01)
    begun = world.now
    port.write(b"id\n")
    assert port.readline().startswith(b"id,")
    assert world.now - begun - usual == pytest.approx(0.2, abs=0.003)


def test_an_unplugged_board_comes_back(world: World, port) -> None:
    installed(world, Trouble("board-unplugged", 0.5, 0.5))
    world.advance(0.6)
    with pytest.raises(serial.SerialException):
        port.read(1)
    port.close()
    with pytest.raises(serial.SerialException):
        port.open()
    world.advance(0.5)
    port.open()
    port.write(b"id\n")
    assert port.readline().startswith(b"id,")


def test_a_lost_connection_stays_lost_and_a_new_one_is_taken_afterwards(world, supply) -> None:
    installed(world, Trouble("supply-lost", 0.1, 0.1))
    assert supply.query("*IDN?")
    world.advance(0.15)
    assert fails(lambda: supply.query("*IDN?")) == "VI_ERROR_CONN_LOST"
    world.advance(0.1)
    assert fails(lambda: supply.query("*IDN?")) == "VI_ERROR_CONN_LOST", "the old one is dead"
    again = pyvisa.ResourceManager(visa_library(world)).open_resource(SUPPLY, **LINES)
    assert again.query("*IDN?")


def test_silent_late_refusing_and_in_error(world: World, supply) -> None:
    installed(
        world,
        Trouble("supply-silent", 1.0, 1.0),
        Trouble("supply-latency", 3.0, 1.0, 0.1),
        Trouble("supply-refused", 5.0, 1.0),
        Trouble("supply-error", 7.0, value=-330.0),
    )
    world.advance(1.1)
    assert fails(lambda: supply.query("OUTP?")) == "VI_ERROR_TMO"
    world.advance(3.1 - world.now)
    begun = world.now
    assert supply.query("OUTP?") == "0"
    assert world.now - begun == pytest.approx(0.1 + world.query_time, abs=1e-6)
    world.advance(5.1 - world.now)
    supply.write("VOLT 12")
    assert float(supply.query("VOLT?")) == 0.0
    assert supply.query("SYST:ERR?").startswith("-222,")
    supply.write("OUTP ON")  # a word is no value
    assert supply.query("OUTP?") == "1"
    assert supply.query("SYST:ERR?") == '0,"No error"'
    world.advance(7.1 - world.now)
    assert supply.query("SYST:ERR?").startswith("-330,")


def test_the_output_of_the_supply(world: World, supply, drive) -> None:
    installed(
        world,
        Trouble("supply-offset", 1.0, 1.0, 5.0),
        Trouble("supply-drops", 3.0),
        Trouble("supply-stuck-off", 4.0, 1.0),
    )
    for command in ("VOLT 24", "CURR 5", "OUTP ON"):
        supply.write(command)
    world.advance(0.5)
    right = float(supply.query("MEAS:VOLT?"))
    world.advance(1.0)
    assert float(supply.query("MEAS:VOLT?")) - right == pytest.approx(5.0)
    world.advance(1.0)
    assert float(supply.query("MEAS:VOLT?")) == right
    world.advance(1.0)
    assert supply.query("OUTP?") == "0"
    assert not drive.on
    supply.write("OUTP ON")  # it takes it, until the relay sticks
    assert drive.on
    world.advance(1.0)
    supply.write("OUTP ON")
    assert supply.query("OUTP?") == "0"
    world.advance(1.0)
    supply.write("OUTP ON")
    assert supply.query("OUTP?") == "1"


def test_a_circuit_that_opens_and_closes_again(world: World) -> None:
    contacts = SimulatedInterlock()
    world.instruments["TCPIP0::127.0.0.1::5029::SOCKET"] = contacts
    installed(world, Trouble("interlock-opens", 1.0, 1.0, 2.0), Trouble("interlock-opens", 1.5))
    world.advance(1.2)
    assert [number for number, closed in contacts.closed.items() if not closed] == [2]
    world.advance(0.5)
    assert not contacts.closed[1]
    world.advance(1.0)
    assert [number for number, closed in contacts.closed.items() if not closed] == [1]


def test_what_this_bench_cannot_do_is_refused(world: World) -> None:
    with pytest.raises(ValueError, match="interlock-silent: this bench has no interlock"):
        Adversary(world, [Trouble("interlock-silent", 0.0)])
    for kind in ("telemetry-frozen", "board-clock-drift"):
        with pytest.raises(ValueError, match=f"{kind} needs telemetry of the reference firmware"):
            Adversary(world, [Trouble(kind, 0.0)])
        Adversary(world, [Trouble(kind, 0.0)], protocol="lines")


#: The small stand-in has no board to reset; that is done in whole plans.
ELSEWHERE = ("interlock", "encoder", "thermometer", "board-reset")
HERE = [kind for kind in KINDS if not kind.startswith(ELSEWHERE)]


@pytest.mark.parametrize("kind", HERE)
def test_every_kind_begins_and_ends(world: World, kind: str) -> None:
    duration = 0.5 if KINDS[kind].lasts else math.inf
    told = installed(world, Trouble(kind, 0.1, duration), protocol="lines")
    world.advance(1.0)
    assert len(told) == 1 + KINDS[kind].lasts
