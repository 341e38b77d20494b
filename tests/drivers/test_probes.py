"""Counter, encoder and thermometer: on sockets, on PyVISA-sim, on the simulated bench."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import pyvisa

from hil.bench.access import Access
from hil.bench.simulate import twin_access
from hil.core.errors import InstrumentError
from hil.drivers.counter import Counter, CounterConfig
from hil.drivers.encoder import EncoderConfig, ScpiEncoder
from hil.drivers.scpi import ScpiConfig
from hil.drivers.switch import ScpiSwitch, SwitchConfig
from hil.drivers.thermometer import ScpiThermometer, ThermometerConfig
from hil.plan.load import load_rig
from hil.ports.clock import WallClock
from hil.ports.conformance import (
    EncoderConformance,
    SignalSwitchConformance,
    TachometerConformance,
    ThermometerConformance,
)
from hil.ports.reading_commands import (
    POSITION,
    CounterCommands,
    EncoderCommands,
    NumberQuery,
    SwitchCommands,
    ThermometerCommands,
)
from hil.twin.wires.registry import find

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"
AT = "TCPIP::127.0.0.1::%d::SOCKET"


# -- on a socket --------------------------------------------------------------------------


@pytest.fixture
def probe(serve, simple):
    """A peer that answers these queries, and where it is."""

    def make(role: str, **answers):
        instrument = simple(f"SIM-{role}", {})
        instrument.special = {f"MEAS:{name}?": text for name, text in answers.items()}
        return instrument, ScpiConfig(resource=serve(instrument).resource, role=role, timeout=0.5)

    return make


class TestCounterOnASocket(TachometerConformance):
    @pytest.fixture
    def port(self, probe, manager, clock):
        _, scpi = probe("tachometer", FREQ="25.0", POS="90")
        config = CounterConfig(
            scpi=scpi, interval=0.02, commands=CounterCommands(position=POSITION)
        )
        counter = Counter.open(config, clock, manager)
        yield counter
        counter.close()


class TestEncoderOnASocket(EncoderConformance):
    @pytest.fixture
    def port(self, probe, manager, clock):
        _, scpi = probe("encoder", POS="1234.5")
        encoder = ScpiEncoder.open(EncoderConfig(scpi=scpi), clock, manager)
        yield encoder
        encoder.close()


class TestThermometerOnASocket(ThermometerConformance):
    @pytest.fixture
    def port(self, probe, manager, clock):
        _, scpi = probe("thermometer", TEMP="23.5")
        thermometer = ScpiThermometer.open(ThermometerConfig(scpi=scpi), clock, manager)
        yield thermometer
        thermometer.close()


# -- made with PyVISA-sim -----------------------------------------------------------------


@pytest.fixture(scope="module")
def sim():
    made = pyvisa.ResourceManager(f"{Path(__file__).parent / 'probes.sim.yaml'}@sim")
    yield made
    made.close()


def on_sim(role: str, port: int) -> ScpiConfig:
    return ScpiConfig(resource=AT % port, role=role, expect="GREENHOUSE", timeout=0.5)


def wheel(**more) -> CounterConfig:
    """Frequency counter on a wheel with 60 holes: 1 Hz is 1 rpm; it has no error queue."""
    commands = CounterCommands(
        setup=("FUNC FREQ",), error_query="", speed=NumberQuery(query="READ?", gain=1.0)
    )
    return CounterConfig(
        scpi=on_sim("tachometer", 5101), senses_direction=False, commands=commands, **more
    )


class TestCounterOnPyvisaSim(TachometerConformance):
    @pytest.fixture
    def port(self, sim, clock):
        counter = Counter.open(wheel(interval=0.01), clock, sim)
        yield counter
        counter.close()

    def test_reads_the_speed_of_the_wheel(self, port) -> None:
        port.begin()
        port._due = 0.0
        found = port.read()
        assert found.speed.tolist() == [1500.0]
        assert math.isnan(found.position[0])
        assert port.senses_direction is False


class TestEncoderOnPyvisaSim(EncoderConformance):
    @pytest.fixture
    def port(self, sim, clock):
        commands = EncoderCommands(
            error_query="",
            position=NumberQuery(query="COUN?", gain=-360.0 / 4096.0, wraps_at=360.0),
        )
        config = EncoderConfig(scpi=on_sim("encoder", 5102), commands=commands)
        encoder = ScpiEncoder.open(config, clock, sim)
        yield encoder
        encoder.close()

    def test_reads_counts_as_degrees_the_other_way_round(self, port) -> None:
        assert port.position().value == pytest.approx(-90.0)


class TestThermometerOnPyvisaSim(ThermometerConformance):
    @pytest.fixture
    def port(self, sim, clock):
        # it answers in kelvin
        commands = ThermometerCommands(
            error_query="", temperature=NumberQuery(query="TEMP? 1", zero=-273.15)
        )
        config = ThermometerConfig(scpi=on_sim("thermometer", 5103), commands=commands)
        thermometer = ScpiThermometer.open(config, clock, sim)
        yield thermometer
        thermometer.close()

    def test_reads_kelvin_as_degrees(self, port) -> None:
        assert port.temperature().value == pytest.approx(24.85)


# -- on the simulated bench ---------------------------------------------------------------


@pytest.fixture(scope="module")
def access(tmp_path_factory):
    file = tmp_path_factory.mktemp("probes") / "rig.yaml"
    file.write_text(
        f"based-on: {RIG}\nrig: probes\n"
        "tachometer: {driver: counter, expect: SIM-COUNTER, interval: 20 ms}\n"
        f"encoder: {{resource: '{AT % 5030}'}}\nthermometer: {{resource: '{AT % 5031}'}}\n",
        encoding="utf-8",
    )
    found: Access = twin_access(load_rig(file), "probes")
    yield found
    for action in found.on_close:
        action()


class OnTwin:
    @pytest.fixture
    def clock(self, access):
        return access.clock

    def scpi(self, role: str, port: int) -> ScpiConfig:
        return ScpiConfig(resource=AT % port, role=role, timeout=0.5)


class TestCounterOnTwin(OnTwin, TachometerConformance):
    @pytest.fixture
    def port(self, access):
        scpi = self.scpi("tachometer", 5026)
        config = CounterConfig(
            scpi=scpi, interval=0.02, commands=CounterCommands(position=POSITION)
        )
        counter = Counter.open(config, access.clock, access.visa)
        yield counter
        counter.close()


class TestEncoderOnTwin(OnTwin, EncoderConformance):
    @pytest.fixture
    def port(self, access):
        config = EncoderConfig(scpi=self.scpi("encoder", 5030))
        encoder = ScpiEncoder.open(config, access.clock, access.visa)
        yield encoder
        encoder.close()


class TestThermometerOnTwin(OnTwin, ThermometerConformance):
    @pytest.fixture
    def port(self, access):
        config = ThermometerConfig(scpi=self.scpi("thermometer", 5031))
        thermometer = ScpiThermometer.open(config, access.clock, access.visa)
        yield thermometer
        thermometer.close()

    def test_an_open_sensor_is_told(self, port, access) -> None:
        world = find(access.board.split("/")[2])
        instrument = world.instruments[AT % 5031]
        instrument.broken = True
        try:
            with pytest.raises(InstrumentError, match="no valid reading"):
                port.temperature()
        finally:
            instrument.broken = False


# -- the counter's own ways ---------------------------------------------------------------


class Steps:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.time = 1.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


@pytest.fixture
def counter(probe, manager):
    """Opens a counter on a socket; its instrument, its clock."""
    made = []

    def make(answers: dict[str, str], **more):
        instrument, scpi = probe("tachometer", **answers)
        clock = Steps()
        made.append(Counter.open(CounterConfig(scpi=scpi, **more), clock, manager))
        return made[-1], instrument, clock

    yield make
    for one in made:
        one.close()


def test_it_is_asked_no_more_often_than_its_interval(counter) -> None:
    one, _, clock = counter({"FREQ": "25"}, interval=0.1)
    one.begin()
    assert one.read().time.size == 0
    sizes = []
    for _ in range(100):
        clock.sleep(0.01)
        sizes.append(one.read().time.size)
    assert sum(sizes) == pytest.approx(10, abs=1)
    assert max(sizes) == 1


def test_a_late_reader_gets_one_sample_and_no_backlog(counter) -> None:
    one, _, clock = counter({"FREQ": "25"}, interval=0.1)
    one.begin()
    clock.sleep(5.0)
    assert [one.read().time.size for _ in range(3)] == [1, 0, 0]
    clock.sleep(0.09)
    assert one.read().time.size == 0  # two samples close together make no speed
    clock.sleep(0.02)
    assert one.read().time.size == 1


def test_speed_from_two_positions(counter) -> None:
    commands = CounterCommands(speed=None, position=NumberQuery(query="MEAS:POS?", wraps_at=360.0))
    one, instrument, clock = counter({"POS": "350"}, commands=commands, interval=0.1)
    one.begin()
    clock.sleep(0.1)
    instrument.special["MEAS:POS?"] = "10"  # 20 deg on in 0.1 s
    found = one.read()
    np.testing.assert_allclose(found.speed, [20.0 / 0.1 / 6.0])
    np.testing.assert_allclose(found.position, [370.0])
    one.begin()  # a new trace: the first difference must not reach back into the old one
    clock.sleep(0.1)
    assert one.read().speed.tolist() == [0.0]


def test_without_direction_the_speed_is_never_negative(counter) -> None:
    one, _, clock = counter({"FREQ": "-25"}, senses_direction=False, interval=0.1)
    one.begin()
    clock.sleep(0.2)
    assert one.read().speed.tolist() == [1500.0]


def test_with_direction_it_may_be(counter) -> None:
    one, _, clock = counter({"FREQ": "-25"}, interval=0.1)
    one.begin()
    clock.sleep(0.2)
    assert one.read().speed.tolist() == [-1500.0]


# -- relays in words of their own ---------------------------------------------------------


class TestSwitchOnPyvisaSim(SignalSwitchConformance):
    @pytest.fixture
    def port(self, sim, clock):
        commands = SwitchCommands(
            error_query="", close="R{relay}=1", open="R{relay}=0", query="R{relay}?"
        )
        config = SwitchConfig(
            scpi=on_sim("switch", 5104),
            channels={"hall-a": 11, "hall-b": 12, "hall-c": 13},
            commands=commands,
        )
        switch = ScpiSwitch.open(config, clock, sim)
        yield switch
        switch.close()

    def test_relays_that_cannot_be_read_back_are_believed(self, sim) -> None:
        commands = SwitchCommands(error_query="", close="R{relay}=1", open="R{relay}=0", query="")
        config = SwitchConfig(
            scpi=on_sim("switch", 5104), channels={"hall-a": 11}, commands=commands
        )
        switch = ScpiSwitch.open(config, WallClock(), sim)
        switch.set("hall-a", False)
        switch.restore()
        switch.close()
