"""The drivers of this project against the suites of their ports, over real wires."""

from __future__ import annotations

import math
import re
import threading
import time

import pytest

from hil.drivers.brake import BrakeConfig, ScpiBrake
from hil.drivers.brake_source import (
    CurrentBrake,
    CurrentBrakeConfig,
    VoltageBrake,
    VoltageBrakeConfig,
)
from hil.drivers.scpi import ScpiConfig
from hil.drivers.serial_board import SerialBoard, SerialBoardConfig
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.drivers.switch import CHANNELS, ScpiSwitch, SwitchConfig
from hil.drivers.tachometer import ScpiTachometer, TachometerConfig
from hil.ports.conformance import (
    BoardConformance,
    BrakeConformance,
    SignalSwitchConformance,
    SupplyConformance,
    TachometerConformance,
)
from hil.ports.reading_commands import MemoryCommands


class TestSerialBoard(BoardConformance):
    """On a pseudo-terminal, with both framings."""

    @pytest.fixture
    def port(self, make_peer, description, clock):
        peer = make_peer(description)
        stopped = threading.Event()
        streaming = threading.Event()
        answer = peer.answer

        def answer_and_stream(command):
            if command == "stream":
                rate = peer.received[-1]
                streaming.clear() if rate in (b"stream,0", b"\x07\x00\x00") else streaming.set()
            return answer(command)

        def talk():
            number = 0
            while not stopped.is_set():
                if streaming.is_set():
                    number += 1
                    if peer.binary:
                        row = number.to_bytes(1, "little") + bytes(20)
                        peer.send_payload(b"\x90" + row[:20])
                    else:
                        peer.send_payload(f"t,{number},{number},0,0,0,0,0,0,0,0".encode())
                time.sleep(0.005)

        peer.answer = answer_and_stream
        speaker = threading.Thread(target=talk, daemon=True)
        speaker.start()
        config = SerialBoardConfig(url=peer.url, description=description)
        board = SerialBoard.open(config, clock)
        yield board
        board.close()
        stopped.set()
        speaker.join(2.0)


class TestScpiSupply(SupplyConformance):
    """On a TCP socket."""

    settle = 0.0

    @pytest.fixture
    def port(self, serve, manager, simple_supply, clock):
        peer = serve(simple_supply)
        config = SupplyConfig(scpi=ScpiConfig(resource=peer.resource, role="supply", timeout=0.5))
        supply = ScpiSupply.open(config, clock, manager)
        yield supply
        supply.close()


class TestScpiTachometer(TachometerConformance):
    """A counter that stores a sample a millisecond, in batches of at most 50."""

    @pytest.fixture
    def port(self, serve, manager, simple, clock):
        counter = simple("SIM-TACHO", {"SWE:TINT": 0.001})
        state = {"zero": 0.0, "next": 1}

        def begin():
            state.update(zero=clock.now(), next=1)

        def fetch():
            last = min(math.floor((clock.now() - state["zero"]) / 0.001), state["next"] + 49)
            rows = [f"{0.001 * n:.3f},{6.0 * n:.2f},1000" for n in range(state["next"], last + 1)]
            state["next"] = max(state["next"], last + 1)
            return ",".join(rows) or "NAN"

        counter.special = {"INIT": begin, "FETC:ARR?": fetch}
        scpi = ScpiConfig(resource=serve(counter).resource, role="tachometer", timeout=0.5)
        config = TachometerConfig(scpi=scpi, commands=MemoryCommands(batch=50))
        tachometer = ScpiTachometer.open(config, clock, manager)
        yield tachometer
        tachometer.close()


class TestScpiBrake(BrakeConformance):
    """On a TCP socket."""

    @pytest.fixture
    def port(self, serve, manager, simple, clock):
        instrument = simple("SIM-BRAKE", {"TORQ": 0.0})
        scpi = ScpiConfig(resource=serve(instrument).resource, role="brake", timeout=0.5)
        brake = ScpiBrake.open(BrakeConfig(scpi=scpi, max_torque=2.0), clock, manager)
        yield brake
        brake.close()


class TestCurrentBrake(BrakeConformance):
    """A supply on a TCP socket, whose current makes the torque."""

    @pytest.fixture
    def port(self, serve, manager, simple_supply, clock):
        scpi = ScpiConfig(resource=serve(simple_supply).resource, role="brake", timeout=0.5)
        config = CurrentBrakeConfig(
            scpi=scpi, max_torque=2.0, torque_constant=0.5, compliance_voltage=24.0
        )
        brake = CurrentBrake.open(config, clock, manager)
        yield brake
        brake.close()


class TestVoltageBrake(BrakeConformance):
    """A supply on a TCP socket, whose voltage makes the torque."""

    @pytest.fixture
    def port(self, serve, manager, simple_supply, clock):
        scpi = ScpiConfig(resource=serve(simple_supply).resource, role="brake", timeout=0.5)
        config = VoltageBrakeConfig(scpi=scpi, max_torque=2.0, full_scale_voltage=10.0)
        brake = VoltageBrake.open(config, clock, manager)
        yield brake
        brake.close()


class TestScpiSwitch(SignalSwitchConformance):
    """On a TCP socket."""

    lines = tuple(CHANNELS)

    @pytest.fixture
    def port(self, serve, manager, simple, clock):
        closed = dict.fromkeys("1234567", True)
        instrument = simple("SIM-SWITCH", {})

        def reply(message):
            found = re.fullmatch(r"ROUT:(CLOS|OPEN)(\?)? \(@([1-7](?:,[1-7])*)\)", message)
            if found is None:
                return instrument(message)
            channels = found[3].split(",")
            if found[2]:
                return ",".join(str(int(closed[channel])) for channel in channels)
            closed.update(dict.fromkeys(channels, found[1] == "CLOS"))
            return None

        scpi = ScpiConfig(resource=serve(reply).resource, role="switch", timeout=0.5)
        switch = ScpiSwitch.open(SwitchConfig(scpi=scpi), clock, manager)
        yield switch
        switch.close()
