"""The suites must pass a driver that keeps to its port and catch one that does not.

The drivers here live in memory; the suites run on the real ones in ``tests/drivers``.
"""

# ruff: noqa: ARG002 - the names of the arguments are the ports'

from __future__ import annotations

import math

import numpy as np
import pytest

from hil.core.errors import InstrumentError, LinkError
from hil.core.record import Identity
from hil.ports import conformance
from hil.ports.board import BoardReadings
from hil.ports.conformance import (
    BoardConformance,
    BrakeConformance,
    EncoderConformance,
    SignalSwitchConformance,
    SupplyConformance,
    TachometerConformance,
    ThermometerConformance,
)
from hil.ports.instruments import Reading, ShaftReadings, SupplyReading


class StepClock:
    def __init__(self) -> None:
        self.time = 0.0

    def now(self) -> float:
        return self.time

    def sleep(self, seconds: float) -> None:
        self.time += seconds


class Closing:
    """Identity and close, as every driver has them."""

    role = ""
    error = InstrumentError

    def __init__(self, clock: StepClock) -> None:
        self.clock, self.closed = clock, False

    def identify(self) -> Identity:
        return Identity(role=self.role, model="M", resource="memory")

    def close(self) -> None:
        self.closed = True

    def check_open(self) -> None:
        if self.closed:
            raise self.error("closed")


class GoodSupply(Closing):
    role = "supply"

    def __init__(self, clock: StepClock) -> None:
        super().__init__(clock)
        self.on, self.voltage = False, 0.0

    def prepare(self, voltage, current_limit, over_voltage):
        if not voltage < over_voltage <= 66.0:
            raise InstrumentError("out of range")
        self.voltage = voltage

    def set_voltage(self, voltage):
        self.voltage = voltage

    def switch_on(self):
        self.on = True

    def switch_off(self):
        self.on = False

    def is_on(self):
        return self.on

    def measure(self):
        self.check_open()
        return SupplyReading(self.clock.now(), self.voltage * self.on, 0.1)


class GoodBoard(Closing):
    role, error = "board", LinkError

    def __init__(self, clock: StepClock) -> None:
        super().__init__(clock)
        self.streaming, self.last = False, 0.0

    def start(self, speed):
        self.check_open()
        if not math.isfinite(speed):
            raise LinkError("no number")

    set_speed = start

    def stop(self):
        self.check_open()

    def clear(self):
        self.check_open()

    def select_sensing(self, sensing):
        if sensing not in ("hall", "back-emf"):
            raise LinkError("no choice")

    def stream(self, on):
        self.streaming = on

    def read(self):
        count = int(self.streaming)
        times = np.full(count, self.clock.now())
        return BoardReadings(times, times, {"reported.speed": np.zeros(count)})


class GoodTachometer(Closing):
    role = "tachometer"
    senses_direction = True
    time_uncertainty = 0.0

    def __init__(self, clock: StepClock) -> None:
        super().__init__(clock)
        self.last: float | None = None

    def begin(self):
        self.check_open()
        self.last = self.clock.now()

    def read(self):
        if self.last is None:
            raise InstrumentError("not begun")
        times = np.arange(self.last + 0.001, self.clock.now(), 0.001)
        self.last = self.clock.now()
        return ShaftReadings(times, np.zeros(times.size), np.zeros(times.size))


class GoodBrake(Closing):
    role = "brake"

    def apply(self, torque):
        self.check_open()
        if not 0.0 <= torque <= 2.0:
            raise InstrumentError("out of range")

    def release(self):
        self.check_open()


class GoodEncoder(Closing):
    role = "encoder"
    value = 90.0

    def position(self):
        self.check_open()
        before = self.clock.now()
        self.clock.sleep(0.002)
        return Reading(0.5 * (before + self.clock.now()), self.value, 0.001)


class GoodThermometer(GoodEncoder):
    role = "thermometer"
    value = 22.0

    def temperature(self):
        return self.position()


class GoodSwitch(Closing):
    role = "switch"

    def set(self, line, closed):
        self.check_open()
        if line not in ("hall-a", "hall-b", "hall-c"):
            raise InstrumentError("no such line")

    def restore(self):
        self.check_open()


def fixtures(driver):
    """A suite's two fixtures for a driver in memory."""

    class Fixtures:
        @pytest.fixture
        def clock(self):
            return StepClock()

        @pytest.fixture
        def port(self, clock):
            return driver(clock)

    return Fixtures


class TestGoodBoard(fixtures(GoodBoard), BoardConformance):
    pass


class TestGoodSupply(fixtures(GoodSupply), SupplyConformance):
    pass


class TestGoodTachometer(fixtures(GoodTachometer), TachometerConformance):
    pass


class TestGoodBrake(fixtures(GoodBrake), BrakeConformance):
    pass


class TestGoodEncoder(fixtures(GoodEncoder), EncoderConformance):
    pass


class TestGoodThermometer(fixtures(GoodThermometer), ThermometerConformance):
    pass


class TestGoodSwitch(fixtures(GoodSwitch), SignalSwitchConformance):
    pass


# ---------------------------------------------------------------------- what they must catch


def run(suite, test: str, driver: type[Closing]) -> None:
    """One test of a suite on a driver, as pytest would call it."""
    clock = StepClock()
    port = driver(clock)
    method = getattr(suite(), test)
    names = method.__code__.co_varnames[: method.__code__.co_argcount]
    method(port, clock) if "clock" in names else method(port)


def broken(base: type[Closing], **members: object) -> type[Closing]:
    what = "-".join(
        f"{name}-{getattr(value, '__name__', value)}" for name, value in members.items()
    )
    return type(f"{base.__name__[4:]}-{what}", (base,), members)


def nothing(*_arguments: object) -> None:
    return None


BOARD, SUPPLY = BoardConformance, SupplyConformance
TACHO, BRAKE, SWITCH = TachometerConformance, BrakeConformance, SignalSwitchConformance
ENCODER, THERMOMETER = EncoderConformance, ThermometerConformance


def undated(self):
    return Reading(0.0, self.value)


def drifts(self):
    self.clock.sleep(0.002)
    return Reading(self.clock.now(), 100.0 * self.clock.now())


def frozen_time(self):
    times = np.full(3, self.clock.now())
    return ShaftReadings(times, times, times)


def old_samples(self):
    times = np.array([self.clock.now() - 0.5])
    return ShaftReadings(times, times, times)


def uneven(self):
    times = np.full(1, self.clock.now())
    return BoardReadings(times, times, {"reported.speed": np.zeros(2)})


def always(self):
    times = np.full(1, self.clock.now())
    return BoardReadings(times, times, {"reported.speed": np.zeros(1)})


@pytest.mark.parametrize(
    ("suite", "test", "driver"),
    [
        (SUPPLY, "test_is_off_when_opened", broken(GoodSupply, is_on=lambda _s: True)),
        (
            SUPPLY,
            "test_preparing_leaves_the_output_alone",
            broken(GoodSupply, prepare=lambda s, *_: s.switch_on()),
        ),
        (
            SUPPLY,
            "test_refuses_a_voltage_beyond_its_protection",
            broken(GoodSupply, prepare=nothing),
        ),
        (SUPPLY, "test_says_when_a_value_is_refused", broken(GoodSupply, prepare=nothing)),
        (SUPPLY, "test_switches_on_and_off", broken(GoodSupply, switch_on=nothing)),
        (SUPPLY, "test_switches_on_and_off", broken(GoodSupply, switch_off=nothing)),
        (SUPPLY, "test_voltage_changes_while_on", broken(GoodSupply, set_voltage=nothing)),
        (
            SUPPLY,
            "test_switches_on_and_off",
            broken(GoodSupply, measure=lambda s: SupplyReading(-1.0, s.voltage, 0.0)),
        ),
        (SUPPLY, "test_says_who_it_is", broken(GoodSupply, role="brake")),
        (
            SUPPLY,
            "test_closes_twice_and_fails_afterwards_with_its_own_error",
            broken(GoodSupply, close=nothing),
        ),
        (SUPPLY, "test_has_what_the_port_asks_for", broken(GoodSupply, measure=None)),
        (BOARD, "test_refuses_what_cannot_be_meant", broken(GoodBoard, select_sensing=nothing)),
        (BOARD, "test_refuses_what_cannot_be_meant", broken(GoodBoard, start=nothing)),
        (BOARD, "test_streams_while_switched_on", broken(GoodBoard, stream=nothing)),
        (BOARD, "test_streams_while_switched_on", broken(GoodBoard, read=uneven)),
        (BOARD, "test_streams_while_switched_on", broken(GoodBoard, read=always)),
        (TACHO, "test_reading_before_begin_is_an_error", broken(GoodTachometer, read=nothing)),
        (
            TACHO,
            "test_samples_carry_clock_time_and_come_once",
            broken(GoodTachometer, read=frozen_time),
        ),
        (TACHO, "test_begin_forgets_what_was_stored", broken(GoodTachometer, read=old_samples)),
        (
            TACHO,
            "test_says_whether_it_senses_direction",
            broken(GoodTachometer, senses_direction=2),
        ),
        (BRAKE, "test_refuses_a_torque_it_cannot_make", broken(GoodBrake, apply=nothing)),
        (SWITCH, "test_refuses_a_line_it_does_not_have", broken(GoodSwitch, set=nothing)),
        (ENCODER, "test_answers_with_clock_time", broken(GoodEncoder, position=undated)),
        (ENCODER, "test_answers_with_clock_time", broken(GoodEncoder, value=float("nan"))),
        (ENCODER, "test_a_standing_shaft_stays_where_it_is", broken(GoodEncoder, position=drifts)),
        (ENCODER, "test_has_what_the_port_asks_for", broken(GoodEncoder, position=None)),
        (
            THERMOMETER,
            "test_a_cold_bench_is_neither_frozen_nor_hot",
            broken(GoodThermometer, value=295.15),
        ),
        (THERMOMETER, "test_says_who_it_is", broken(GoodThermometer, role="encoder")),
    ],
    ids=lambda value: value if isinstance(value, str) else value.__name__,
)
def test_a_driver_that_breaks_its_promise_is_caught(suite, test, driver):
    with pytest.raises((AssertionError, pytest.fail.Exception)):
        run(suite, test, driver)


def test_there_is_a_suite_for_every_port():
    from hil.ports.registry import PORTS

    suites = {
        value.role
        for name, value in vars(conformance).items()
        if isinstance(value, type) and name.endswith("Conformance") and not name.startswith("_")
    }
    assert suites == set(PORTS)


def test_a_suite_without_a_driver_says_what_to_do():
    with pytest.raises(NotImplementedError, match="must define the fixture 'port'"):
        conformance._Conformance.port.__wrapped__(BoardConformance())
    with pytest.raises(NotImplementedError):
        conformance._Conformance().use(None)
