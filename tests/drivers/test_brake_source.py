"""Brakes fed by a source: current of a second output, voltage of an amplifier's input."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hil.core.errors import InstrumentError
from hil.drivers.brake_source import (
    CurrentBrake,
    CurrentBrakeConfig,
    VoltageBrake,
    VoltageBrakeConfig,
)
from hil.drivers.scpi import ScpiConfig
from hil.ports.clock import WallClock
from hil.ports.instruments import Brake
from hil.ports.registry import Registry
from hil.ports.supply_commands import SCPI_1999, Channel


@pytest.fixture
def peer(serve, simple_supply):
    simple_supply.points["OUTP"] = 1.0  # as an earlier owner may have left it
    return serve(simple_supply)


def scpi(peer) -> ScpiConfig:
    return ScpiConfig(resource=peer.resource, role="brake", timeout=0.3)


@pytest.fixture
def by_current(peer, manager):
    config = CurrentBrakeConfig(
        scpi=scpi(peer), max_torque=1.0, torque_constant=0.5, compliance_voltage=24.0
    )
    brake = CurrentBrake.open(config, WallClock(), manager)
    yield brake
    brake.close()


@pytest.fixture
def by_voltage(peer, manager):
    config = VoltageBrakeConfig(scpi=scpi(peer), max_torque=2.0, full_scale_voltage=10.0)
    brake = VoltageBrake.open(config, WallClock(), manager)
    yield brake
    brake.close()


def test_opening_releases_the_shaft(by_current, simple_supply) -> None:
    assert simple_supply.points["OUTP"] == 0.0
    assert (simple_supply.points["CURR"], simple_supply.points["VOLT"]) == (0.0, 24.0)
    assert isinstance(by_current, Brake)
    assert by_current.identify().role == "brake"


def test_torque_by_current(by_current, simple_supply, peer) -> None:
    by_current.apply(0.25)  # N m, 0.5 N m/A
    assert (simple_supply.points["CURR"], simple_supply.points["OUTP"]) == (0.5, 1.0)
    peer.received.clear()
    by_current.apply(0.5)
    assert simple_supply.points["CURR"] == 1.0
    assert "OUTP ON" not in peer.received  # it is on already
    by_current.apply(0.0)
    assert simple_supply.points["OUTP"] == 0.0


def test_torque_by_voltage(by_voltage, simple_supply) -> None:
    assert (simple_supply.points["CURR"], simple_supply.points["VOLT"]) == (0.02, 0.0)
    by_voltage.apply(0.5)  # of 2 N m at 10 V
    assert (simple_supply.points["VOLT"], simple_supply.points["OUTP"]) == (2.5, 1.0)
    by_voltage.release()
    by_voltage.release()
    assert simple_supply.points["OUTP"] == 0.0


@pytest.mark.parametrize("torque", [-0.1, 1.01, float("nan"), float("inf")])
def test_what_the_rig_does_not_allow_is_never_sent(by_current, peer, torque) -> None:
    peer.received.clear()
    with pytest.raises(InstrumentError, match=r"asked for, it can do 0 to 1 N\*m"):
        by_current.apply(torque)
    assert peer.received == []


def test_a_source_that_does_not_follow_is_switched_off(by_current, simple_supply) -> None:
    by_current.apply(0.25)
    simple_supply.stuck.add("CURR")
    with pytest.raises(InstrumentError, match=r"current limit set to 1 A reads back 0\.5 A"):
        by_current.apply(0.5)
    assert simple_supply.points["OUTP"] == 0.0


def test_a_second_output_is_named_in_every_message(peer, manager) -> None:
    config = CurrentBrakeConfig(
        scpi=scpi(peer),
        max_torque=1.0,
        torque_constant=0.5,
        compliance_voltage=24.0,
        commands=replace(
            SCPI_1999, error_query="", channel=Channel(number=2, by="prefix", text="OUT{number}:")
        ),
    )
    with pytest.raises(InstrumentError):  # this peer has one output only
        CurrentBrake.open(config, WallClock(), manager)
    assert "OUT2:OUTP OFF" in peer.received
    assert not [message for message in peer.received if message.startswith(("OUTP", "CURR"))]


def test_both_are_offered_by_name() -> None:
    registry = Registry.installed()
    assert registry.get("brake", "current").driver is CurrentBrake
    assert registry.get("brake", "voltage").driver is VoltageBrake
