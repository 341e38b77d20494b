"""Several ports on one instrument that allows one session only."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.errors import InstrumentError, InstrumentTimeout
from hil.drivers.brake_source import CurrentBrake, CurrentBrakeConfig
from hil.drivers.scpi import ScpiConfig, ScpiSession
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.drivers.visa_sharing import Sharing, Wire, wire_to
from hil.ports.clock import WallClock
from hil.ports.supply_commands import SCPI_1999, Channel


class TwoOutputs:
    """A supply with outputs 1 and 2, selected in the same message; each with its set points."""

    def __init__(self) -> None:
        self.points = {1: {"VOLT": 0.0, "CURR": 0.0, "OUTP": 1.0}, 2: {"VOLT": 0.0, "CURR": 0.0}}
        self.points[2]["OUTP"] = 1.0
        self.protection = 60.0
        self.silent = False

    def __call__(self, message: str) -> str | None:
        if self.silent:
            return None
        if message == "*IDN?":
            return "GREENHOUSE BENCH,TWO,1,1.0"
        if message == "SYST:ERR?":
            return '0,"No error"'
        if not message.startswith("INST:NSEL "):
            raise AssertionError(f"{message!r} does not say which output it is for")
        number, texts = message.removeprefix("INST:NSEL ").split(";", 1)
        answers = [self.one(self.points[int(number)], text.strip(":")) for text in texts.split(";")]
        return ";".join(answer for answer in answers if answer is not None) or None

    def one(self, points: dict[str, float], text: str) -> str | None:
        if text.endswith("?"):
            name = text[:-1].removeprefix("MEAS:")
            if name == "VOLT:PROT":
                return str(self.protection)
            return f"{points[name] * (points['OUTP'] if text.startswith('MEAS') else 1.0):g}"
        name, value = text.split(" ")
        if name == "VOLT:PROT":
            self.protection = float(value)
        else:
            points[name] = {"ON": 1.0, "OFF": 0.0}.get(value) if name == "OUTP" else float(value)
        return None


@pytest.fixture
def instrument() -> TwoOutputs:
    return TwoOutputs()


@pytest.fixture
def peer(serve, instrument):
    return serve(instrument)


def output(number: int):
    return replace(SCPI_1999, channel=Channel(number=number))


@pytest.fixture
def both(peer, manager):
    shared, clock = Sharing(manager, bounded=True), WallClock()
    supply = ScpiSupply.open(
        SupplyConfig(
            scpi=ScpiConfig(resource=peer.resource, role="supply", timeout=0.3), commands=output(1)
        ),
        clock,
        shared,
    )
    brake = CurrentBrake.open(
        CurrentBrakeConfig(
            scpi=ScpiConfig(
                resource=peer.resource.replace("TCPIP0::", "TCPIP::"), role="brake", timeout=0.5
            ),
            max_torque=1.0,
            torque_constant=0.5,
            compliance_voltage=24.0,
            commands=output(2),
        ),
        clock,
        shared,
    )
    yield supply, brake
    brake.close()
    supply.close()


def test_supply_and_brake_speak_over_one_session(both, peer, instrument) -> None:
    supply, brake = both
    supply.prepare(24.0, 5.0, 40.0)
    supply.switch_on()
    brake.apply(0.25)
    assert instrument.points[1] == {"VOLT": 24.0, "CURR": 5.0, "OUTP": 1.0}
    assert instrument.points[2] == {"VOLT": 24.0, "CURR": 0.5, "OUTP": 1.0}
    brake.release()
    assert supply.is_on()
    assert supply.measure().voltage == 24.0
    assert peer.connections == 1
    assert (supply.identify().role, brake.identify().role) == ("supply", "brake")


def test_each_keeps_its_own_time_limit(both) -> None:
    supply, brake = both
    link = supply._session._link
    supply.is_on()
    assert link._wire.timeout == 0.3
    brake.release()
    assert link._wire.timeout == 0.5
    assert link._wire.resource.timeout == 500


def test_one_that_is_closed_leaves_the_other_alone(both, peer) -> None:
    supply, brake = both
    brake.close()
    brake.close()
    with pytest.raises(InstrumentError, match="after closing"):
        brake.release()
    assert supply.is_on() is False
    wire = supply._session._link._wire
    assert wire.users == 1
    supply.close()
    assert wire.resource is None
    assert peer.connections == 1


def test_what_one_finds_out_holds_for_the_other(both, peer, instrument) -> None:
    supply, brake = both
    instrument.silent = True
    with pytest.raises(InstrumentTimeout):
        supply.is_on()
    assert brake._source._session._link._wire.stale
    instrument.silent = False
    brake.release()  # makes sure first that no late answer comes
    assert peer.connections == 2
    assert supply.is_on() is False
    assert peer.connections == 2


def test_the_gap_between_messages_is_that_of_the_instrument(peer, manager) -> None:
    class Counting(WallClock):
        slept = 0.0

        def sleep(self, seconds: float) -> None:
            Counting.slept += seconds

    shared, clock = Sharing(manager, bounded=True), Counting()
    config = ScpiConfig(resource=peer.resource, role="supply", command_gap=0.5)
    first = ScpiSession.open(shared, config, clock)
    second = ScpiSession.open(shared, replace(config, role="brake", command_gap=0.0), clock)
    before = Counting.slept
    second.query("*IDN?")
    assert Counting.slept - before == pytest.approx(0.5, abs=0.2)
    second.close()
    first.close()


def test_an_instrument_with_one_session_turns_a_second_one_away(peer, manager) -> None:
    config = ScpiConfig(resource=peer.resource, role="supply", timeout=0.3)
    session = ScpiSession.open(manager, config, WallClock())
    with pytest.raises(InstrumentError):  # without sharing
        ScpiSession.open(manager, config, WallClock())
    session.close()
    assert isinstance(wire_to(manager, "X"), Wire)
    assert wire_to(manager, "X") is not wire_to(manager, "X")


def test_an_instrument_that_is_not_there_leaves_nothing_open(manager) -> None:
    shared = Sharing(manager, bounded=True)
    config = ScpiConfig(resource="TCPIP::127.0.0.1::1::SOCKET", role="supply", open_timeout=0.2)
    with pytest.raises(InstrumentError):
        ScpiSession.open(shared, config, WallClock())
    wire = shared.wire("tcpip0::127.0.0.1::1::socket")
    assert (wire.users, wire.resource) == (0, None)
