"""The whole simulated bench of the demo rig: real drive, reference firmware, instruments."""

from __future__ import annotations

import binascii
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import pyvisa
import serial

from hil.bench.simulate import world_for
from hil.plan.load import load_rig
from hil.twin.wires.registry import publish
from hil.twin.wires.visa import visa_library
from hil.twin.world import World

RIG = Path(__file__).parents[4] / "testplans" / "rigs" / "dosing-pump.yaml"
RATED = 24.0  # V


class Desk:
    """What an engineer has in hand: a serial port and four instruments, client libraries only."""

    def __init__(self, seed: int = 1) -> None:
        rig = load_rig(RIG)
        self.world: World = world_for(rig, seed)
        self.manager = pyvisa.ResourceManager(visa_library(self.world))
        self.port = serial.serial_for_url(publish(self.world), baudrate=230400, timeout=0.2)
        self.supply, self.tachometer, self.brake, self.switch = (
            self.manager.open_resource(part.resource, read_termination="\n", write_termination="\n")
            for part in (rig.supply, rig.tachometer, rig.brake, rig.switch)
        )

    def order(self, text: str) -> str:
        """Send a command; the answer without its checksum, which must be right."""
        self.port.write(f"{text}\n".encode())
        while True:
            line = self.port.read_until(b"\n")
            if not line.startswith(b"t,"):
                body, _, check = line.strip().partition(b"*")
                assert int(check, 16) == binascii.crc_hqx(body, 0xFFFF)  # CRC-16/IBM-3740
                return body.decode()

    def power(self, over_voltage: float = 46.0) -> None:
        self.supply.write(f"VOLT:PROT {over_voltage};:CURR 10;:VOLT {RATED};:OUTP ON")
        assert self.supply.query("SYST:ERR?") == '0,"No error"'
        self.world.advance(0.05)

    def shaft(self) -> np.ndarray:
        blocks = []
        while True:
            values = np.array(self.tachometer.query_ascii_values("FETC:ARR?"))
            blocks.append(values.reshape(-1, 3))
            if len(blocks[-1]) < 2000:  # that was all
                return np.concatenate(blocks)

    def close(self) -> None:
        self.port.close()
        self.manager.close()
        self.world.close()


@pytest.fixture
def desk() -> Iterator[Desk]:
    found = Desk()
    yield found
    found.close()


def test_power_on_state(desk: Desk) -> None:
    assert desk.order("id").startswith("id,DOSING-DRIVE,")
    assert desk.supply.query("OUTP?") == "0"
    desk.world.advance(0.1)
    assert float(desk.supply.query("MEAS:VOLT?")) < 0.1
    assert desk.switch.query("ROUT:CLOS? (@1:6)") == "1,1,1,1,1,1"


@pytest.mark.parametrize("speed", [2000, -2000])
def test_a_start_seen_by_supply_and_tachometer(desk: Desk, speed: int) -> None:
    desk.power()
    desk.tachometer.write("INIT")
    assert desk.order(f"start,{speed}") == "done,start"
    desk.world.advance(1.5)  # the firmware stops after 2 s without a word from the host
    samples = desk.shaft()
    np.testing.assert_allclose(np.diff(samples[:, 0]), 0.001, atol=2e-6)
    steady = samples[-300:]
    assert steady[:, 2].mean() == pytest.approx(speed, rel=0.02)
    turns = (steady[-1, 1] - steady[0, 1]) / 360.0
    minutes = (steady[-1, 0] - steady[0, 0]) / 60.0
    assert turns / minutes == pytest.approx(steady[:, 2].mean(), rel=0.005)
    voltage = float(desk.supply.query("MEAS:VOLT?"))
    current = float(desk.supply.query("MEAS:CURR?"))
    assert voltage == pytest.approx(RATED, abs=0.3)
    # mean load 0.03 N m at 2000 rpm are 6.3 W at the shaft; the rest is loss
    assert 6.0 < voltage * current < 20.0


def test_over_voltage_at_the_terminals_trips_the_supply(desk: Desk) -> None:
    desk.power(over_voltage=24.5)
    desk.order("start,3000")
    desk.world.advance(1.5)
    assert desk.supply.query("VOLT:PROT:TRIP?") == "0"
    desk.world.drive.clear_peaks()
    desk.supply.write("VOLT 28")
    desk.world.advance(0.5)
    assert 24.0 < desk.world.drive.dc_link_peak < 24.55, "the terminals never got far above"
    assert desk.supply.query("VOLT:PROT:TRIP?;:OUTP?") == "1;0"
    desk.supply.write("OUTP ON")
    assert desk.supply.query("SYST:ERR?").startswith("-221")
    desk.world.advance(3.0)  # the link discharges
    desk.supply.write("VOLT:PROT 46;PROT:CLE;:OUTP ON")
    desk.world.advance(0.1)
    assert desk.supply.query("OUTP?;VOLT:PROT:TRIP?") == "1;0"


def test_the_brake_holds_the_shaft_after_its_delay(desk: Desk) -> None:
    desk.power()
    desk.order("start,2000")
    desk.world.advance(1.5)
    desk.tachometer.write("INIT")
    desk.brake.write("TORQ 1")
    desk.world.advance(0.5)
    samples = desk.shaft()
    assert np.abs(samples[:2, 2]).min() > 1500.0, "2 ms until the torque acts"
    assert np.abs(samples[-100:, 2]).max() == 0.0
    desk.brake.write("TORQ 0")


def test_an_open_hall_line_is_noticed_by_the_firmware(desk: Desk) -> None:
    desk.power()
    desk.order("start,2000")
    desk.world.advance(1.5)
    desk.switch.write("ROUT:OPEN (@2)")
    desk.world.advance(1.0)
    desk.order("stream,200")
    desk.world.advance(0.1)
    fields = desk.port.read_all().splitlines()[-1].split(b",")
    assert int(fields[3]) == 5, "state: fault"
    assert int(fields[4]) != 0


def test_same_seed_same_bench() -> None:
    def run(seed: int) -> tuple[bytes, bytes]:
        desk = Desk(seed)
        desk.power()
        desk.order("stream,200")
        desk.tachometer.write("INIT")
        desk.order("start,1500")
        desk.world.advance(0.7)
        found = desk.port.read_all(), desk.shaft().tobytes()
        desk.close()
        return found

    first = run(5)
    assert run(5) == first
    assert run(6) != first
