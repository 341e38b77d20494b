"""Tachometer with a memory, torque brake and interlock in words of their own, told by a rig file.

Each is read from a file, opened as a bench opens it, and held against the suite of its port on a
TCP socket whose peer understands these words alone.
"""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.core.errors import InstrumentError, InstrumentTimeout
from hil.drivers.brake import BrakeConfig, ScpiBrake
from hil.drivers.interlock import InterlockConfig, ScpiInterlock
from hil.drivers.scpi import ScpiConfig
from hil.drivers.tachometer import ScpiTachometer, TachometerConfig
from hil.plan.load import load_rig
from hil.plan.rig import Rig
from hil.ports.clock import WallClock
from hil.ports.conformance import (
    BrakeConformance,
    InterlockConformance,
    TachometerConformance,
)
from hil.ports.reading_commands import Conversion, MemoryCommands

RIG = Path(__file__).parents[2] / "testplans" / "rigs" / "dosing-pump.yaml"


class Own:
    """An instrument that knows a few patterns, and hangs up on whatever else it hears."""

    def __init__(self, model: str, *known: tuple[str, Callable[..., object]]) -> None:
        self.model, self.known = model, known
        self.heard: list[str] = []

    def __call__(self, message: str) -> str | None:
        self.heard.append(message)
        if message == "*IDN?":
            return f"GREENHOUSE BENCH,{self.model},0021,1.0"
        for pattern, action in self.known:
            found = re.fullmatch(pattern, message)
            if found:
                answer = action(*found.groups())
                return None if answer is None else str(answer)
        return "<hang up>"


@pytest.fixture
def told(tmp_path: Path) -> Callable[[str], Rig]:
    """The shipped rig with more in it."""

    def tell(text: str) -> Rig:
        file = tmp_path / "own.yaml"
        file.write_text(f"based-on: {RIG}\nrig: own\n{text}", encoding="utf-8")
        return load_rig(file)

    return tell


def scpi(peer, role: str) -> ScpiConfig:
    return ScpiConfig(resource=peer.resource, role=role, timeout=0.5)


#: Role -> driver, its configuration, and what that takes from the rig file besides the words.
DRIVERS: dict[str, tuple[Any, Any, str]] = {
    "tachometer": (ScpiTachometer, TachometerConfig, "interval"),
    "brake": (ScpiBrake, BrakeConfig, "max_torque"),
    "interlock": (ScpiInterlock, InterlockConfig, "contacts"),
}


@pytest.fixture
def opened(serve, manager, told, clock) -> Iterator[Callable[[str, str, Own], Any]]:
    """Open the driver of a role on an instrument, as a rig file with this text tells of it."""
    made = []

    def start(role: str, text: str, instrument: Own) -> Any:
        rig = told(text)
        driver, config, own = DRIVERS[role]
        told_of = {own: getattr(getattr(rig, role), own), "commands": rig.readings[role]}
        made.append(
            driver.open(config(scpi=scpi(serve(instrument), role), **told_of), clock, manager)
        )
        return made[-1]

    yield start
    for one in made:
        one.close()


# -- a memory of samples ------------------------------------------------------------------

MEMORY = """\
tachometer:
  interval: 2 ms
  commands:
    setup: [RATE 500]
    error-query: ""
    interval: {query: "RATE:INT?", unit: ms}
    begin: ARM
    fetch: "DATA?"
    columns: [speed, time, position]
    time: {unit: ms}
    speed: {scale: 30, sign: negative}
    position: {scale: 0.1, sign: negative, wraps-at: 3600}
    empty: NONE
    batch: 20
"""


def filling(clock) -> Own:
    """Stores a sample every 2 ms: 50 Hz of two pulses a turn, counting down, 10 counts a degree."""
    state = {"zero": clock.now(), "next": 1}

    def begin() -> None:
        state.update(zero=clock.now(), next=1)

    def fetch() -> str:
        last = min(math.floor((clock.now() - state["zero"]) / 0.002), state["next"] + 19)
        rows = [f"50,{2 * n},{-n * 180 % 3600}" for n in range(state["next"], last + 1)]
        state["next"] = max(state["next"], last + 1)
        return ",".join(rows) or "NONE"

    return Own(
        "MEMORY", ("RATE 500", lambda: None), (r"RATE:INT\?", lambda: "2.0"), ("ARM", begin),
        (r"DATA\?", fetch),
    )  # fmt: skip


class TestTachometerInItsOwnWords(TachometerConformance):
    @pytest.fixture
    def instrument(self, clock):
        return filling(clock)

    @pytest.fixture
    def port(self, opened, instrument):
        return opened("tachometer", MEMORY, instrument)

    def test_samples_are_in_canonical_units_and_across_the_end_of_the_range(
        self, port, clock
    ) -> None:
        port.begin()
        begun = clock.now()
        time, position, speed = [], [], []
        while len(time) < 50:  # through the range of 20 samples more than twice
            clock.sleep(0.002)
            found = port.read()
            time += found.time.tolist()
            position += found.position.tolist()
            speed += found.speed.tolist()
        assert set(speed) == {-1500.0}
        np.testing.assert_allclose(np.diff(position), 18.0, atol=1e-9)  # 180 counts of -0.1 deg
        np.testing.assert_allclose(np.diff(time), 0.002, atol=1e-9)
        assert time[0] < begun + 0.002 + 1e-9

    def test_only_its_own_words_are_sent(self, port, instrument) -> None:
        port.begin()
        port.read()
        sent = instrument.heard
        assert set(sent) == {"*IDN?", "RATE 500", "RATE:INT?", "ARM", "DATA?"}


@pytest.fixture
def memory(serve, manager):
    """A tachometer whose memory answers these texts, one a fetch."""
    made = []

    def make(answers, **more):
        rest = iter(answers)
        peer = serve(
            Own("MEMORY", ("INIT", lambda: None), (r"FETC:ARR\?", lambda: next(rest, "NAN")))
        )
        commands = MemoryCommands(interval=None, error_query="", **more)
        config = TachometerConfig(scpi=scpi(peer, "tachometer"), commands=commands)

        class Standing:
            def now(self) -> float:
                return 0.0

            def sleep(self, seconds: float) -> None:
                pass

        made.append(ScpiTachometer.open(config, Standing(), manager))
        made[-1].begin()
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_a_memory_without_positions_has_none(memory) -> None:
    found = memory(["0.1,1500,0.2,1501"], columns=("time", "speed")).read()
    assert np.isnan(found.position).all()
    assert found.speed.tolist() == [1500.0, 1501.0]
    assert found.time.tolist() == [0.1, 0.2]


def test_a_position_that_is_missing_once_does_not_spoil_the_ones_after(memory) -> None:
    wrapping = Conversion(wraps_at=360.0)
    one = memory(["0,350,1,1,NAN,1,2,20,1", "3,30,1", "4,340,1"], position=wrapping)
    found = one.read()
    assert found.position[[0, 2]].tolist() == [350.0, 380.0]
    assert math.isnan(found.position[1])
    assert one.read().position.tolist() == [390.0]
    assert one.read().position.tolist() == [340.0]
    assert one.read().position.size == 0


@given(
    steps=st.lists(st.floats(-179.0, 179.0), min_size=1, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=5),
)
def test_however_samples_are_cut_into_fetches_a_position_goes_on(steps, cuts) -> None:
    true = np.cumsum(np.array([10.0, *steps]))
    one = object.__new__(ScpiTachometer)
    one._commands = MemoryCommands(position=Conversion(wraps_at=360.0))
    one._last, one._turned = math.nan, 0.0
    parts = np.split(true % 360.0, sorted({cut for cut in cuts if cut < len(true)}))
    found = np.concatenate([one._unwrapped(part) for part in parts])
    np.testing.assert_allclose(found - found[0], true - true[0], atol=1e-6)


def test_another_interval_is_told_in_seconds(opened, clock) -> None:
    with pytest.raises(InstrumentError, match=r"samples every 0\.002 s, expected 0\.005 s"):
        opened("tachometer", MEMORY.replace("2 ms", "5 ms", 1), filling(clock))


@pytest.fixture
def clock() -> WallClock:
    return WallClock()


# -- a brake at an analogue output --------------------------------------------------------

BRAKE = """\
brake:
  max-torque: 2 N*m
  commands:
    error-query: ""
    torque: {set: "AOUT {value:.4f}", query: "AOUT?", scale: 20, unit: N*cm, step: 1 mN*m}
    enable: COIL 1
    disable: COIL 0
"""


class Amplifier(Own):
    """Ten volts are two newton metres; it keeps millivolts."""

    def __init__(self) -> None:
        self.volts, self.coil, self.stuck = 5.0, 1, False
        super().__init__(
            "AMPLIFIER",
            (r"AOUT (\d\.\d{4})", self.set),
            (r"AOUT (10\.\d{4})", self.set),
            (r"AOUT\?", lambda: f"{self.volts:.3f}"),
            (r"COIL ([01])", self.energise),
        )

    def set(self, volts: str) -> None:
        if not self.stuck:
            self.volts = float(volts)

    def energise(self, coil: str) -> None:
        self.coil = int(coil)

    @property
    def torque(self) -> float:
        """What it makes of it, N m."""
        return 0.2 * self.volts * self.coil

    def await_torque(self, torque: float) -> None:
        """The last message asks for no answer: it is on its way when the driver goes on."""
        end = time.monotonic() + 10.0
        while self.torque != pytest.approx(torque):
            assert time.monotonic() < end, self.torque
            time.sleep(0.001)


class TestBrakeInItsOwnWords(BrakeConformance):
    @pytest.fixture
    def instrument(self):
        return Amplifier()

    @pytest.fixture
    def port(self, opened, instrument):
        return opened("brake", BRAKE, instrument)

    @pytest.mark.usefixtures("port")
    def test_opening_lets_go(self, instrument) -> None:
        assert (instrument.volts, instrument.coil) == (0.0, 0)

    def test_a_torque_is_what_the_amplifier_makes_of_it(self, port, instrument) -> None:
        port.apply(0.5)
        instrument.await_torque(0.5)
        port.apply(2.0)
        instrument.await_torque(2.0)
        port.release()
        assert instrument.torque == 0.0
        assert instrument.heard[-3:] == ["COIL 0", "AOUT 0.0000", "AOUT?"]

    def test_one_that_does_not_let_go_is_told_of(self, port, instrument) -> None:
        port.apply(1.0)
        instrument.await_torque(1.0)
        instrument.stuck = True
        with pytest.raises(InstrumentError, match=r"set to 0 N\*m reads back 1 N\*m"):
            port.release()
        assert instrument.coil == 0  # all the same

    def test_nothing_but_its_own_words_is_sent(self, port, instrument) -> None:
        port.apply(0.25)
        port.release()
        assert {message.split(" ")[0] for message in instrument.heard} == {
            "*IDN?", "AOUT", "AOUT?", "COIL",
        }  # fmt: skip


def test_a_brake_that_cannot_be_read_back_is_believed_and_said_to_be(opened) -> None:
    queue: list[str] = []
    mute: list[bool] = []

    def next_error() -> str | None:
        return None if mute else (queue.pop() if queue else '0,"No error"')

    own = Own("BRAKE", (r"SYST:ERR\?", next_error), (r"TORQ [\d.]+", lambda: None))
    brake = opened("brake", "brake: {commands: {torque: {query: ''}}}\n", own)
    assert brake.lacks == ("its torque cannot be read back: that it lets go is believed",)
    brake.apply(0.5)
    queue.append('-222,"Data out of range"')
    with pytest.raises(InstrumentError, match="-222"):
        brake.apply(0.5)
    mute.append(True)
    with pytest.raises((InstrumentTimeout, InstrumentError)):
        brake.release()  # no answer at all: nobody is there to have let go


# -- contacts on digital inputs -----------------------------------------------------------

EACH = """\
interlock:
  resource: TCPIP::127.0.0.1::5029::SOCKET
  contacts: {emergency-stop: 3, guard: 4}
  commands: {setup: [DIN:PULL UP], error-query: "", query: "DIN? {input}", closed-reads: 0}
"""
AT_ONCE = """\
interlock:
  resource: TCPIP::127.0.0.1::5029::SOCKET
  contacts: {emergency-stop: 3, guard: 4}
  commands: {error-query: "", query: "PORT? 1", inputs: 8}
"""


class Inputs(Own):
    """Eight inputs: with pull-ups each by itself, closed reads 0; or all of them in one number."""

    def __init__(self) -> None:
        self.closed = dict.fromkeys(range(1, 9), True)
        self.form = "{}"
        super().__init__(
            "INPUTS",
            ("DIN:PULL UP", lambda: None),
            (r"DIN\? ([1-8])", lambda number: int(not self.closed[int(number)])),
            (r"PORT\? 1", self.pattern),
        )

    def pattern(self) -> str:
        bits = sum(1 << (number - 1) for number, closed in self.closed.items() if closed)
        return self.form.format(bits)


class InOwnWords(InterlockConformance):
    text: str

    @pytest.fixture
    def instrument(self):
        return Inputs()

    @pytest.fixture
    def port(self, opened, instrument):
        return opened("interlock", self.text, instrument)

    def test_an_open_circuit_is_told_from_the_others(self, port, instrument) -> None:
        assert port.read() == {"emergency-stop": True, "guard": True}
        for number in (1, 2, 5, 8):
            instrument.closed[number] = False  # nobody's contact
        assert port.read() == {"emergency-stop": True, "guard": True}
        instrument.closed[4] = False
        assert port.read() == {"emergency-stop": True, "guard": False}
        instrument.closed[3], instrument.closed[4] = False, True
        assert port.read() == {"emergency-stop": False, "guard": True}


class TestInputsOneByOne(InOwnWords):
    text = EACH

    def test_its_setup_is_sent_once(self, port, instrument) -> None:
        port.read()
        assert instrument.heard == ["*IDN?", "DIN:PULL UP", "DIN? 3", "DIN? 4"]


class TestInputsAtOnce(InOwnWords):
    text = AT_ONCE

    @pytest.mark.parametrize("form", ["{}", "+{}", "#H{:X}", "#h{:x}", "#Q{:o}", "#B{:b}"])
    def test_in_every_form_of_a_whole_number(self, port, instrument, form) -> None:
        instrument.form = form
        instrument.closed[3] = False
        assert port.read() == {"emergency-stop": False, "guard": True}

    @pytest.mark.parametrize("answer", ["256", "-1", "3.0", "#Z1", "yes", "1,1"])
    def test_what_is_no_number_of_eight_bits_is_no_closed_circuit(
        self, port, instrument, answer
    ) -> None:
        instrument.form = answer
        with pytest.raises(InstrumentError, match="expected a number of 8 bits"):
            port.read()


def test_a_contact_beyond_the_inputs_is_refused_before_anything_is_opened(manager) -> None:
    from hil.ports.reading_commands import InterlockCommands

    nowhere = ScpiConfig(resource="TCPIP::127.0.0.1::1::SOCKET", role="interlock")
    config = InterlockConfig(
        scpi=nowhere, contacts={"guard": 9}, commands=InterlockCommands(query="P?", inputs=8)
    )
    with pytest.raises(InstrumentError, match="'guard' is on input 9, there are 8"):
        ScpiInterlock.open(config, None, manager)
