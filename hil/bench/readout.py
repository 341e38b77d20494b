"""What a bench reads while time passes: recorded, and held against the abort limits."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable

import numpy as np

from hil.bench.coming_up import ComingUp
from hil.bench.keeper import Keeper
from hil.bench.limits import Limits, Watch
from hil.bench.link_doubts import LinkFacts
from hil.bench.observe import Latest, Observer, Silent
from hil.bench.parts import Parts, Settings
from hil.bench.recorder import Recorder, Sources
from hil.bench.supply_watch import ProtectionTripped, SupplyFacts, SupplyWatch
from hil.core.drive import DriveState, Fault
from hil.core.errors import FirmwareError, HilError, InstrumentError, LinkTimeout
from hil.core.record import Identity
from hil.core.trace import Accuracy, Trace
from hil.ports.board import BoardReadings, Nudged, Timed
from hil.ports.clock import Clock
from hil.ports.instruments import SupplyReading, TellsTrips


class Readout:
    """The reading half of an opened rig; `hil.bench.bench.Bench` adds the energy.

    Time passes only through the three kinds of waiting; while it does, board, tachometer and supply
    are read, recorded and held against the abort limits.
    """

    def __init__(
        self,
        *,
        parts: Parts,
        clock: Clock,
        settings: Settings,
        limits: Limits,
        sources: Sources,
        observer: Observer | None = None,
    ) -> None:
        self.board, self.supply = parts.board, parts.supply
        self.tachometer, self.brake, self.switch = parts.tachometer, parts.brake, parts.switch
        self.interlock, self._on_close = parts.interlock, parts.on_close
        self.encoder, self.thermometer = parts.encoder, parts.thermometer
        self.operator, self.firmware = parts.operator, parts.firmware
        self.keeper = Keeper(clock, parts.guard, parts.interlock)
        self.clock, self.settings, self._sources = clock, settings, sources
        self.observer: Observer = observer or Silent()
        self.watch = Watch(limits)
        told = sources.accuracy.get
        self.supply_watch = SupplyWatch(
            parts.supply,
            SupplyFacts(
                told("supply.voltage", Accuracy()),
                told("supply.current", Accuracy()),
                settings.settling,
            ),
        )
        self.latest = Latest()
        self.energised = False
        #: No keep-alive is sent: the host seems to be gone.
        self.quiet = False
        self._knows_angle = False  # the tachometer does
        self._spoke = clock.now()
        self._polled = -np.inf  # when the last poll was over
        self._settled_at: float | None = None  # V, what the output has been seen to reach
        self._lost, self._tripped = "", False  # what is known of an output that went off
        self._asked = 0.0  # V, what the supply was last told to give
        self._coming_up: ComingUp | None = None  # while an output that went on settles
        self._next_supply = self._next_encoder = self._next_thermometer = 0.0
        self._heard: float | None = None  # host time of the newest telemetry
        self._board_time = np.nan  # of the newest telemetry, s
        self._recorder = Recorder(sources, clock.now())

    # -- identities ------------------------------------------------------------------------

    def identities(self) -> tuple[Identity, ...]:
        """Ask board and instruments who they are."""
        instruments = (
            self.supply, self.tachometer, self.brake, self.switch, self.interlock, self.encoder,
            self.thermometer,
        )  # fmt: skip
        return (
            self.board.identify(),
            *(part.identify() for part in instruments if part is not None),
        )

    # -- recording -------------------------------------------------------------------------

    def begin_trace(self) -> None:
        """Forget what was recorded and start a new time axis now."""
        self.board.read()
        if self.tachometer is not None:
            self.tachometer.begin()
        self._recorder = Recorder(self._sources, self.clock.now())
        self._next_supply = self.clock.now()
        self._heard = None
        self.watch.forget()
        self.latest = Latest()

    def mark(self, name: str, uncertainty: float = 0.0, detail: str = "") -> None:
        """Note the present instant in the trace."""
        self._recorder.mark(name, self.clock.now(), uncertainty, detail)

    def mark_at(
        self, name: str, time: float, detail: str = "", *, uncertainty: float = 0.0
    ) -> None:
        """Note an instant on the host clock, s, known to `uncertainty` s."""
        self._recorder.mark(name, time, uncertainty, detail)

    @property
    def trace_start(self) -> float:
        """Host time of the origin of the trace, s."""
        return self._recorder.start

    def trace(self) -> Trace:
        """What was recorded since `begin_trace`."""
        turnaround = self.board.turnaround if isinstance(self.board, Timed) else math.nan
        return self._recorder.trace(self.clock.now(), turnaround)

    def link_facts(self) -> LinkFacts:
        """What the link came to since `begin_trace`."""
        return self._recorder.link_facts()

    # -- time ------------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time pass while reading, recording and watching the abort limits."""
        self.wait_unless(lambda: False, seconds)

    def wait_unless(self, condition: Callable[[], bool], seconds: float) -> bool:
        """As `wait`, ended by a `condition` that is not to come; True if it did."""
        every = self._seldom
        # What was read just before need not be read again: the next look is due when it would be.
        return self._pass_time(condition, seconds, every, first=max(self._due(every), 0.0))

    def wait_until(self, condition: Callable[[], bool], within: float) -> bool:
        """Wait until `condition` holds, at most `within` seconds; True if it did."""
        return self._pass_time(condition, within, self.settings.poll)

    @property
    def _seldom(self) -> float:
        """Interval of reading while nothing but time is waited for, s."""
        return self.settings.quiet_poll or self.settings.poll

    def _due(self, every: float) -> float:
        """Seconds until the next poll, if there is one `every` so many."""
        return self._polled + every - self.clock.now()

    def _pass_time(
        self, condition: Callable[[], bool], within: float, every: float, first: float = 0.0
    ) -> bool:
        """Look every so often, the `first` time in that many seconds; True if `condition` held."""
        deadline = self.clock.now() + within
        if first > 0.0:
            self._sleep(min(first, within))
        while True:
            if self.clock.now() > self._polled:  # virtual time stands between two waits
                self.poll()
            if condition():
                return True
            left = deadline - self.clock.now()
            if left < 1e-9:  # what rounding leaves of a wait is none
                return False
            self._sleep(min(every, left))

    def _sleep(self, seconds: float) -> None:
        """Let time pass between two polls; a supply that is due more often is read meanwhile."""
        end = self.clock.now() + seconds
        try:
            if seconds > self.settings.supply_poll:
                while (due := self._next_supply) < end:
                    self.clock.sleep(due - self.clock.now())
                    self.keeper.look()
                    self._poll_supply()
            self.clock.sleep(end - self.clock.now())
        except FirmwareError:  # what simulated firmware said before it failed tells why
            self.take_rest()
            raise

    def poll(self) -> None:
        """Read everything that is due, record it, and check it.

        Raises
        ------
        LimitExceeded, Contradiction, LinkError, InstrumentError, InterlockOpen
        """
        self.keeper.look()
        readings = self.board.read()
        self._recorder.add_board(readings)
        says = self._says_something(readings)
        if says:
            values = {name: float(y[-1]) for name, y in readings.values.items()}
            now = self.latest
            now.reported_speed = values.get("reported.speed", np.nan)
            now.current = values.get("reported.current", np.nan)
            now.voltage = values.get("reported.voltage", np.nan)
            now.temperature = values.get("reported.temperature", np.nan)
            state = values.get("reported.state", np.nan)
            now.state = DriveState(int(state)) if np.isfinite(state) else None
            states = readings.values.get("reported.state", np.empty(0))
            now.fault_frames += int(np.count_nonzero(states == DriveState.FAULT.value))
            fault = values.get("reported.fault", 0.0)
            now.fault = Fault(int(fault)) if np.isfinite(fault) else Fault.NONE
        self._poll_instruments()
        self.clock.sleep(0.0)  # simulated firmware that has failed ends the item here
        self._listen(readings, says)
        if says:
            self.watch.check_board(readings)
        self.observer.readings(self.latest)
        self._keep_alive()
        self._polled = self.clock.now()

    def take_rest(self) -> None:
        """Record what has arrived and was not read yet, checking nothing; never raises.

        For the trace of an item that ended early: what tells why is in its last milliseconds.
        """
        with contextlib.suppress(HilError):
            self._recorder.add_board(self.board.read())
        if self.tachometer is not None:
            with contextlib.suppress(HilError):
                self._recorder.add_shaft(self.tachometer.read(), self.tachometer.time_uncertainty)

    def poll_instruments(self) -> None:
        """As `poll`, leaving the board alone: for while it is flashed and cannot answer."""
        self.keeper.look()
        self._poll_instruments()
        self.observer.readings(self.latest)

    def _poll_instruments(self) -> None:
        if self.tachometer is not None:
            shaft = self.tachometer.read()
            self._recorder.add_shaft(shaft, self.tachometer.time_uncertainty)
            if shaft.time.size:
                self.latest.witness_speed = float(shaft.speed[-1])
                self._knows_angle = bool(np.isfinite(shaft.position[-1]))
                if self._knows_angle:
                    self.latest.position = float(shaft.position[-1])
            self.watch.check_shaft(shaft)
        if self.clock.now() >= self._next_supply:
            self._poll_supply()

    def _poll_supply(self) -> None:
        reading = self._read_supply()
        self._check_output(reading)
        self._check_supply(reading)
        self._poll_probes()

    def _poll_probes(self) -> None:
        """Encoder and thermometer: slower than the rest, and not on every rig."""
        now = self.clock.now()
        if self.encoder is not None and now >= self._next_encoder:
            self._next_encoder = now + self.settings.encoder_poll
            angle = self.encoder.position()
            self._recorder.add_number("encoder.position", angle)
            if not self._knows_angle:
                self.latest.position = angle.value
        if self.thermometer is not None and now >= self._next_thermometer:
            self._next_thermometer = now + self.settings.thermometer_poll
            degrees = self.thermometer.temperature()
            self._recorder.add_number("witness.temperature", degrees)
            self.watch.check_temperature(degrees.value)

    def _keep_alive(self) -> None:
        """Ask the board who it is, so that it knows that somebody is there.

        Without waiting, where the link can do that: a board that does not answer must not keep
        the abort limits from being watched.
        """
        every, now = self.settings.keep_alive, self.clock.now()
        if every <= 0.0 or not self.energised or self.quiet or now - self._spoke < every:
            return
        if isinstance(self.board, Nudged):
            if self.board.nudge():
                self._spoke = now
        else:
            self._spoke = now
            self.board.identify()

    def _says_something(self, readings: BoardReadings) -> bool:
        """Whether there is telemetry that is not the same frame again, by the time of the board."""
        if not len(readings):
            return False
        before, self._board_time = self._board_time, float(readings.board_time[-1])
        return self._board_time != before or not bool(np.all(readings.board_time == before))

    def _listen(self, readings: BoardReadings, says: bool) -> None:
        """Notice a board that has stopped talking; bytes that waited to be read still count."""
        now = self.clock.now()
        if says:
            self._heard = now
        elif self._heard is not None and now - self._heard > self.settings.silence:
            again = "but the same frame again and again " if len(readings) else ""
            cause = "" if self.firmware else ": cable, power of the board, or a firmware that hangs"
            raise self.silent(
                f"no telemetry {again}for {now - self._heard:.2f} s in mid-scenario{cause}"
            )

    def silent(self, text: str) -> HilError:
        """The error for telemetry that does not come, with what did not decode.

        On a simulated board that runs the user's own firmware there is no link that could fail.
        """
        said = f"{text}{self.undecoded()}"
        return FirmwareError(f"{self.firmware}: {said}") if self.firmware else LinkTimeout(said)

    def undecoded(self) -> str:
        """What arrived in this trace and made no sense, as the end of a sentence; or ""."""
        count, example = self._recorder.undecoded()
        if not count:
            return ""
        return f"; {count} pieces of data did not decode, the last: {example}"

    def _read_supply(self) -> SupplyReading:
        reading = self.supply.measure()
        self._recorder.add_supply(reading)
        self._next_supply = self.clock.now() + self.settings.supply_poll
        if self._coming_up is None:
            self.watch.check_supply(reading)
        else:
            self._coming_up.check(reading)
        return reading

    def _check_output(self, reading: SupplyReading) -> None:
        """Notice a supply that switched itself off: then nothing after it is the firmware's."""
        wanted = self._settled_at
        if wanted is None or abs(reading.voltage - wanted) <= 0.1 * wanted:
            return
        if lost := self.supply_lost():
            raise self.loss(f"{lost}, measured {reading.voltage:.2f} V")

    def _check_supply(self, reading: SupplyReading) -> None:
        """Notice a supply that is not in order, once its output has settled."""
        if self._settled_at is not None:
            self.supply_watch.check(reading, self._settled_at)

    def supply_lost(self) -> str:
        """Why the supply does not feed the board any more although it was on; or ""."""
        if self._settled_at is None:
            return ""
        if self._lost:
            return self._lost
        try:
            if self.supply.is_on():
                return ""
        except HilError as error:
            return f"the supply no longer answers: {error}"
        limits = f"(set to {self._settled_at:g} V"
        if isinstance(self.supply, TellsTrips) and (trips := self.supply.trips()):
            self._tripped = True
            self._lost = (
                f"the supply's {' and '.join(trips)} protection tripped by "
                f"{self.clock.now() - self.trace_start:.2f} s {limits}, "
                f"{', '.join(map(self._protected_at, trips))})"
            )
        else:
            self._lost = (
                f"the supply switched its output off by itself in mid-scenario {limits}, "
                f"over-voltage protection at {self.settings.over_voltage:g} V)"
            )
        return self._lost

    def _protected_at(self, what: str) -> str:
        settings = self.settings
        if what == "over-current":
            return f"current limit {settings.current_limit:g} A"
        return f"protection at {settings.over_voltage:g} V"

    def loss(self, text: str) -> InstrumentError:
        """The error for a supply that was found lost, whatever is said of it."""
        return (ProtectionTripped if self._tripped else InstrumentError)(text)
