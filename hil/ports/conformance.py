"""One suite per port. A driver author subclasses it and says how to open the driver:

    class TestMySupply(SupplyConformance):
        @pytest.fixture
        def port(self):
            supply = MySupply(...)
            yield supply
            supply.close()

The suites switch outputs on, open signal lines and command the board to turn: run them on a bench
that is free to do so, or on a simulated one. The numbers and the `clock` fixture of a suite may be
overridden too.
"""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
import pytest

from hil.core.errors import BenchError, InstrumentError, LinkError
from hil.core.record import Identity
from hil.ports.board import Board
from hil.ports.clock import Clock, WallClock
from hil.ports.instruments import (
    Brake,
    Encoder,
    Interlock,
    Reading,
    SignalSwitch,
    Supply,
    Tachometer,
    Thermometer,
)
from hil.ports.registry import check_driver


class _Conformance:
    """Common to all ports."""

    role: ClassVar[str]
    error: ClassVar[type[BenchError]] = InstrumentError

    @pytest.fixture
    def port(self) -> Any:
        """The opened driver; every suite must say how."""
        raise NotImplementedError(f"{type(self).__name__} must define the fixture 'port'")

    @pytest.fixture
    def clock(self) -> Clock:
        """The clock the driver was opened with."""
        return WallClock()

    def test_has_what_the_port_asks_for(self, port: Any) -> None:
        """All members, with the arguments of the port."""
        assert check_driver(type(port), self.role) == []

    def test_says_who_it_is(self, port: Any) -> None:
        """An identity with a model, the same one twice."""
        identity = port.identify()
        assert isinstance(identity, Identity)
        assert identity.role == self.role
        assert identity.model
        assert identity.resource
        assert port.identify() == identity

    def test_closes_twice_and_fails_afterwards_with_its_own_error(self, port: Any) -> None:
        """A second close does nothing; use after it is an error of the one tree."""
        port.close()
        port.close()
        with pytest.raises(self.error):
            self.use(port)

    def use(self, port: Any) -> None:
        """One thing that cannot be done after closing."""
        raise NotImplementedError


class BoardConformance(_Conformance):
    """Suite for `hil.ports.board.Board`; the board must be idle and may be powered or not."""

    role = "board"
    error = LinkError
    speed: ClassVar[float] = 1000.0  # rpm, any speed the drive accepts

    def use(self, port: Board) -> None:
        """Reading a closed port."""
        port.stop()

    def test_obeys(self, port: Board) -> None:
        """Every command is acknowledged in the order of a normal run."""
        port.select_sensing("hall")
        port.start(self.speed)
        port.set_speed(-self.speed)
        port.stop()
        port.clear()

    def test_refuses_what_cannot_be_meant(self, port: Board) -> None:
        """An unknown sensing method and a speed that is no number never reach the board."""
        with pytest.raises(LinkError):
            port.select_sensing("by-ear")
        with pytest.raises(LinkError):
            port.start(float("nan"))

    def test_streams_while_switched_on(self, port: Board, clock: Clock) -> None:
        """Telemetry arrives with host times from the clock and equal shapes, and ends."""
        port.stream(True)
        port.read()
        before, readings = clock.now(), []
        for _ in range(20):
            clock.sleep(0.01)
            readings.append(port.read())
        after = clock.now()
        assert sum(len(reading) for reading in readings) > 0
        for reading in readings:
            assert reading.board_time.shape == reading.host_time.shape
            assert all(
                column.shape == reading.host_time.shape for column in reading.values.values()
            )
            assert all(name.startswith("reported.") for name in reading.values)
        host = np.concatenate([reading.host_time for reading in readings])
        assert bool(np.all(np.diff(host) >= 0.0))
        assert before <= host[0]
        assert host[-1] <= after
        port.stream(False)
        clock.sleep(0.1)
        port.read()
        clock.sleep(0.1)
        assert len(port.read()) == 0


class SupplyConformance(_Conformance):
    """Suite for `hil.ports.instruments.Supply`; nothing that minds the voltage may be connected."""

    role = "supply"
    voltage: ClassVar[float] = 12.0
    current_limit: ClassVar[float] = 1.0
    over_voltage: ClassVar[float] = 15.0
    excessive: ClassVar[float] = 1e6  # V, beyond what the supply can be set to
    settle: ClassVar[float] = 1.0  # s

    def use(self, port: Supply) -> None:
        """Measuring."""
        port.measure()

    def test_is_off_when_opened(self, port: Supply) -> None:
        """Opening never energises, and ends what an earlier owner left on."""
        assert port.is_on() is False

    def test_preparing_leaves_the_output_alone(self, port: Supply) -> None:
        """Set points do not switch anything on."""
        port.prepare(self.voltage, self.current_limit, self.over_voltage)
        assert port.is_on() is False

    def test_refuses_a_voltage_beyond_its_protection(self, port: Supply) -> None:
        """The protection level must lie above the voltage."""
        with pytest.raises(InstrumentError):
            port.prepare(self.over_voltage, self.current_limit, self.voltage)

    def test_says_when_a_value_is_refused(self, port: Supply) -> None:
        """A set point the supply does not take is an error, not a silent clamp."""
        with pytest.raises(InstrumentError):
            port.prepare(self.voltage, self.current_limit, self.excessive)

    def test_switches_on_and_off(self, port: Supply, clock: Clock) -> None:
        """Output and measured voltage follow; off may be asked for again."""
        port.prepare(self.voltage, self.current_limit, self.over_voltage)
        port.switch_on()
        assert port.is_on() is True
        clock.sleep(self.settle)
        before = clock.now()
        reading = port.measure()
        assert before <= reading.time <= clock.now()
        assert reading.voltage == pytest.approx(self.voltage, rel=0.05)
        assert reading.current <= self.current_limit * 1.1
        port.switch_off()
        port.switch_off()
        assert port.is_on() is False

    def test_voltage_changes_while_on(self, port: Supply, clock: Clock) -> None:
        """A new set point upwards shows in the measured voltage."""
        port.prepare(self.voltage / 2.0, self.current_limit, self.over_voltage)
        port.switch_on()
        port.set_voltage(self.voltage)
        clock.sleep(self.settle)
        reading = port.measure()
        port.switch_off()
        assert reading.voltage == pytest.approx(self.voltage, rel=0.05)


class TachometerConformance(_Conformance):
    """Suite for `hil.ports.instruments.Tachometer`; the shaft may stand still."""

    role = "tachometer"

    def use(self, port: Tachometer) -> None:
        """Starting over."""
        port.begin()

    def test_says_whether_it_senses_direction(self, port: Tachometer) -> None:
        """A plain yes or no."""
        assert port.senses_direction in (True, False)

    def test_reading_before_begin_is_an_error(self, port: Tachometer) -> None:
        """Without a time base there are no sample times."""
        with pytest.raises(InstrumentError):
            port.read()

    def test_samples_carry_clock_time_and_come_once(self, port: Tachometer, clock: Clock) -> None:
        """Times increase from read to read and lie between begin and now."""
        before = clock.now()
        port.begin()
        assert port.time_uncertainty >= 0.0
        parts = []
        for _ in range(3):
            clock.sleep(0.1)
            parts.append(port.read())
        after = clock.now()
        times = np.concatenate([part.time for part in parts])
        assert times.size > 0
        assert all(part.time.shape == part.position.shape == part.speed.shape for part in parts)
        assert bool(np.all(np.diff(times) > 0.0))
        # the time base is known to within the round trip of begin, and numbers are rounded
        slack = 2.0 * port.time_uncertainty + 1e-6
        assert before - slack <= times[0]
        assert times[-1] <= after + slack

    def test_begin_forgets_what_was_stored(self, port: Tachometer, clock: Clock) -> None:
        """No sample from before `begin` is returned."""
        port.begin()
        clock.sleep(0.2)
        start = clock.now()
        port.begin()
        clock.sleep(0.05)
        slack = 2.0 * port.time_uncertainty + 1e-6
        assert bool(np.all(port.read().time >= start - slack))


class BrakeConformance(_Conformance):
    """Suite for `hil.ports.instruments.Brake`."""

    role = "brake"
    torque: ClassVar[float] = 0.01  # N m

    def use(self, port: Brake) -> None:
        """Releasing."""
        port.release()

    def test_applies_and_releases(self, port: Brake) -> None:
        """Releasing is safe at any time."""
        port.release()
        port.apply(self.torque)
        port.apply(0.0)
        port.apply(self.torque)
        port.release()
        port.release()

    def test_refuses_a_torque_it_cannot_make(self, port: Brake) -> None:
        """Neither negative nor endless."""
        for torque in (-self.torque, 1e6, float("nan")):
            with pytest.raises(InstrumentError):
                port.apply(torque)
        port.release()


class SignalSwitchConformance(_Conformance):
    """Suite for `hil.ports.instruments.SignalSwitch`."""

    role = "switch"
    lines: ClassVar[tuple[str, ...]] = ("hall-a", "hall-b", "hall-c")

    def use(self, port: SignalSwitch) -> None:
        """Closing a line."""
        port.set(self.lines[0], True)

    def test_opens_and_closes_every_line(self, port: SignalSwitch) -> None:
        """Each line both ways, left closed."""
        for line in self.lines:
            port.set(line, False)
            port.set(line, False)
            port.set(line, True)

    def test_restores_all_lines(self, port: SignalSwitch) -> None:
        """The state of a healthy rig comes back, however often it is asked for."""
        port.set(self.lines[0], False)
        port.restore()
        port.restore()

    def test_refuses_a_line_it_does_not_have(self, port: SignalSwitch) -> None:
        """A misspelt line must not go unnoticed."""
        with pytest.raises(InstrumentError):
            port.set("no-such-line", True)


class InterlockConformance(_Conformance):
    """Suite for `hil.ports.instruments.Interlock`; the contacts of the test bench are closed."""

    role = "interlock"
    contacts: ClassVar[tuple[str, ...]] = ("emergency-stop", "guard")

    def use(self, port: Interlock) -> None:
        """Reading."""
        port.read()

    def test_reads_every_contact_by_name(self, port: Interlock) -> None:
        """Closed circuits read true, again and again."""
        for _ in range(3):
            assert dict(port.read()) == dict.fromkeys(self.contacts, True)


class _OneNumber(_Conformance):
    """Common to ports that answer with one number."""

    def ask(self, port: Any) -> Reading:
        """The number."""
        raise NotImplementedError

    def use(self, port: Any) -> None:
        """Asking for it."""
        self.ask(port)

    def test_answers_with_clock_time(self, port: Any, clock: Clock) -> None:
        """Each number is dated between question and answer, and later than the one before."""
        last = -np.inf
        for _ in range(3):
            before = clock.now()
            found = self.ask(port)
            assert before <= found.time <= clock.now()
            assert 0.0 <= found.half_trip <= clock.now() - before
            assert np.isfinite(found.value)
            assert found.time > last
            last = found.time
            clock.sleep(0.01)


class EncoderConformance(_OneNumber):
    """Suite for `hil.ports.instruments.Encoder`; the shaft stands still."""

    role = "encoder"
    still: ClassVar[float] = 1.0  # deg, by which the reading of a standing shaft may differ

    def ask(self, port: Encoder) -> Reading:
        """The angle."""
        return port.position()

    def test_a_standing_shaft_stays_where_it_is(self, port: Encoder, clock: Clock) -> None:
        """The same angle again."""
        first = port.position().value
        clock.sleep(0.05)
        assert abs(port.position().value - first) <= self.still


class ThermometerConformance(_OneNumber):
    """Suite for `hil.ports.instruments.Thermometer`; nothing is hot."""

    role = "thermometer"
    coldest: ClassVar[float] = -20.0  # degC
    hottest: ClassVar[float] = 60.0

    def ask(self, port: Thermometer) -> Reading:
        """The temperature."""
        return port.temperature()

    def test_a_cold_bench_is_neither_frozen_nor_hot(self, port: Thermometer) -> None:
        """In degC: kelvin and degrees Fahrenheit would be out of this range."""
        assert self.coldest <= port.temperature().value <= self.hottest
