"""The simulated bench against the suites of the ports: it is one more bench to the same drivers.

Rig files, pyserial handler and VISA library are the ones a simulated run uses.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.bench.access import Access
from hil.bench.simulate import twin_access
from hil.drivers.brake import BrakeConfig, ScpiBrake
from hil.drivers.scpi import ScpiConfig
from hil.drivers.serial_board import SerialBoard, SerialBoardConfig
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.drivers.switch import ScpiSwitch, SwitchConfig
from hil.drivers.tachometer import ScpiTachometer, TachometerConfig
from hil.plan.load import load_rig
from hil.ports.conformance import (
    BoardConformance,
    BrakeConformance,
    SignalSwitchConformance,
    SupplyConformance,
    TachometerConformance,
)

RIGS = Path(__file__).parents[2] / "testplans" / "rigs"


@pytest.fixture(scope="module", params=["dosing-pump.yaml", "dosing-pump-cobs.yaml"])
def rig(request):
    return load_rig(RIGS / request.param)


@pytest.fixture(scope="module")
def access(rig):
    found: Access = twin_access(rig, "conformance")
    yield found
    for action in found.on_close:
        action()


class OnTwin:
    """The clock of the simulated bench: sleeping moves it on."""

    @pytest.fixture
    def clock(self, access):
        return access.clock


def scpi(rig, role: str) -> ScpiConfig:
    instrument = getattr(rig, role)
    return ScpiConfig(resource=instrument.resource, role=role, expect=instrument.expect)


class TestBoard(OnTwin, BoardConformance):
    """Powered from the simulated supply."""

    @pytest.fixture
    def port(self, rig, access):
        config = SupplyConfig(scpi=scpi(rig, "supply"))
        supply = ScpiSupply.open(config, access.clock, access.visa)
        supply.prepare(rig.supply.voltage, rig.supply.current_limit, rig.supply.over_voltage_limit)
        supply.switch_on()
        access.clock.sleep(0.5)
        board = SerialBoard.open(
            SerialBoardConfig(url=access.board, description=rig.profile), access.clock
        )
        board.identify()
        yield board
        board.close()
        supply.switch_off()
        access.clock.sleep(5.0)
        supply.close()


class TestSupply(OnTwin, SupplyConformance):
    @pytest.fixture
    def port(self, rig, access):
        config = SupplyConfig(scpi=scpi(rig, "supply"))
        supply = ScpiSupply.open(config, access.clock, access.visa)
        yield supply
        if not supply._session._link._closed:
            supply.switch_off()
        supply.close()


class TestTachometer(OnTwin, TachometerConformance):
    @pytest.fixture
    def port(self, rig, access):
        config = TachometerConfig(scpi=scpi(rig, "tachometer"), interval=rig.tachometer.interval)
        tachometer = ScpiTachometer.open(config, access.clock, access.visa)
        yield tachometer
        tachometer.close()


class TestBrake(OnTwin, BrakeConformance):
    @pytest.fixture
    def port(self, rig, access):
        config = BrakeConfig(scpi=scpi(rig, "brake"), max_torque=rig.brake.max_torque)
        brake = ScpiBrake.open(config, access.clock, access.visa)
        yield brake
        brake.close()


class TestSwitch(OnTwin, SignalSwitchConformance):
    lines = ("hall-a", "hall-b", "hall-c", "phase-a", "phase-b", "phase-c")

    @pytest.fixture
    def port(self, rig, access):
        config = SwitchConfig(scpi=scpi(rig, "switch"))
        switch = ScpiSwitch.open(config, access.clock, access.visa)
        yield switch
        switch.close()
