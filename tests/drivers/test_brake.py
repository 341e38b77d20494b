"""The brake driver: range, read-back, release at any time."""

from __future__ import annotations

import pytest

from hil.core.errors import InstrumentError, InstrumentTimeout
from hil.drivers.brake import BrakeConfig, ScpiBrake
from hil.drivers.scpi import ScpiConfig
from hil.ports.clock import WallClock
from hil.ports.instruments import Brake


@pytest.fixture
def instrument(simple):
    brake = simple("SIM-BRAKE", {"TORQ": 0.5})
    brake.limits = {"TORQ": (0.0, 2.0)}
    return brake


@pytest.fixture
def bench(serve, manager, instrument):
    peer = serve(instrument)
    scpi = ScpiConfig(resource=peer.resource, role="brake", timeout=0.3)
    brake = ScpiBrake.open(BrakeConfig(scpi=scpi, max_torque=3.0), WallClock(), manager)
    yield peer, brake
    brake.close()


def test_opening_releases_the_shaft(bench, instrument):
    _, brake = bench
    assert instrument.points["TORQ"] == 0.0
    assert isinstance(brake, Brake)
    assert brake.identify().model == "SIM-BRAKE"


def test_torque_is_set_and_read_back(bench, instrument):
    peer, brake = bench
    peer.received.clear()
    brake.apply(0.125)
    assert peer.received == ["TORQ 0.125", "SYST:ERR?", "TORQ?"]
    assert instrument.points["TORQ"] == 0.125
    brake.release()
    brake.release()
    assert instrument.points["TORQ"] == 0.0


@pytest.mark.parametrize("torque", [-0.1, 3.01, float("nan"), float("inf")])
def test_what_the_rig_does_not_allow_is_never_sent(bench, torque):
    peer, brake = bench
    peer.received.clear()
    with pytest.raises(InstrumentError, match=r"asked for, it can do 0 to 3 N\*m"):
        brake.apply(torque)
    assert peer.received == []


def test_what_the_brake_refuses_is_an_error(bench):
    _, brake = bench
    with pytest.raises(InstrumentError, match=r"'TORQ 2\.5' answered by -222"):
        brake.apply(2.5)


def test_a_torque_that_reads_back_differently(bench, instrument):
    _, brake = bench
    instrument.stuck.add("TORQ")
    with pytest.raises(InstrumentError, match=r"torque set to 1 N\*m reads back 0 N\*m"):
        brake.apply(1.0)


def test_a_brake_that_does_not_let_go(bench, instrument):
    _, brake = bench
    brake.apply(1.0)
    instrument.stuck.add("TORQ")
    with pytest.raises(InstrumentError, match=r"torque set to 0 N\*m reads back 1 N\*m"):
        brake.release()


def test_releasing_after_a_hang_reconnects_first(bench, instrument):
    peer, brake = bench
    brake.apply(1.0)
    instrument.special["TORQ?"] = None
    with pytest.raises(InstrumentTimeout):
        brake.apply(1.5)
    instrument.special.clear()
    brake.release()
    assert instrument.points["TORQ"] == 0.0
    assert peer.connections == 2
