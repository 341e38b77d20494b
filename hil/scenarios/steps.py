"""The primitive steps that every manoeuvre is made of.

Each step says what it does (to the observer and to the log of the item), does it through the bench,
and marks the trace. Speeds are in rpm, signed, clockwise positive.
"""

from __future__ import annotations

import contextlib
import functools
import math
from collections.abc import Callable, Iterable, Iterator

from hil.bench.attended import ask, hold, let_go
from hil.bench.bench import Bench
from hil.bench.operator import Request
from hil.core.drive import DriveState, Fault
from hil.core.errors import CommandRefused, FirmwareError
from hil.scenarios.checked_board import unchecked
from hil.scenarios.dips import DipSteps

#: The board must report idle this soon after supply-on and clear, s.
READY_WITHIN = 1.5
#: A shaft that is to stand may turn by so much, deg: cogging lets it settle.
STILL = 10.0
#: One set point of a sweep each so many s.
SWEEP_STEP = 0.02


class ManoeuvreFailed(FirmwareError):
    """The drive did not do what the rest of the manoeuvre builds on."""


def fault_from_words(words: Iterable[str]) -> Fault:
    """``over-current`` and the like as `Fault` bits; KeyError for a word that is none."""
    flags = (Fault[word.upper().replace("-", "_")] for word in words)
    return functools.reduce(lambda a, b: a | b, flags, Fault.NONE)


class Steps(DipSteps):
    """Primitive steps on an opened bench.

    Attributes
    ----------
    log : what was done, one sentence a step, with the time since the trace began.
    is_to_turn : the last command that the drive obeyed was to turn.
    voltage : what the supply was last told to give, V; 0 before.
    sensing : the method that was last selected; empty before.
    """

    def __init__(self, bench: Bench) -> None:
        super().__init__(bench)
        self.log: list[str] = []
        self._origin = bench.clock.now()
        self.is_to_turn = False
        self._set_point = 0.0
        self.sensing = ""

    @property
    def set_point(self) -> float:
        """The speed that the drive is to turn at, rpm, signed; 0 if it is not to turn."""
        return self._set_point if self.is_to_turn else 0.0

    def say(self, text: str) -> None:
        """Note a step."""
        self.log.append(f"{self.bench.clock.now() - self._origin:8.3f} s  {text}")
        self.bench.observer.step(text)

    def begin_trace(self) -> None:
        """Start a new trace; times in the log count from here."""
        self.bench.begin_trace()
        self._origin = self.bench.clock.now()
        self.log.clear()

    # -- supply and readiness --------------------------------------------------------------

    def supply(self, voltage: float) -> None:
        """Supply on at `voltage` V, or change it when already on."""
        self.voltage = voltage
        if self.bench.energised:
            self.say(f"supply to {voltage:g} V")
            self.bench.mark("supply-set", detail=f"{voltage:g} V")
            self.bench.supply.set_voltage(voltage)
            self.bench.await_voltage(voltage)
        else:
            self.say(f"supply on at {voltage:g} V")
            self.bench.energise(voltage)

    def supply_off(self) -> None:
        """Supply off, no matter what the shaft does."""
        self.say("supply off")
        self.is_to_turn = False
        self.bench.watch.expect(None)
        self.bench.switch_off()

    def ready(self, sensing: str) -> None:
        """Bring the board to idle, faults cleared, and select the sensing method.

        Raises
        ------
        LinkTimeout
            If no telemetry arrives; FirmwareError where nothing but the firmware can be at fault.
        ManoeuvreFailed
            If it stays in another state.
        """
        bench = self.bench
        bench.board.stream(True)
        if not bench.wait_until(lambda: bench.latest.state is not None, READY_WITHIN):
            raise bench.silent(f"no telemetry within {READY_WITHIN:g} s of when it was due")
        if bench.latest.state is not DriveState.IDLE:
            # Refused as long as the cause lasts; then the state below tells more than the refusal.
            with contextlib.suppress(CommandRefused):
                bench.board.clear()
        if not bench.wait_until(lambda: bench.latest.state is DriveState.IDLE, READY_WITHIN):
            raise ManoeuvreFailed(
                f"the board is not idle {READY_WITHIN:g} s after supply-on and clear: "
                f"{self.describe()}"
            )
        self.say(f"sensing {sensing}")
        with self._obeyed():
            bench.board.select_sensing(sensing)
        self.sensing = sensing

    @contextlib.contextmanager
    def _obeyed(self) -> Iterator[None]:
        """A command that the firmware refuses is the firmware's doing."""
        try:
            yield
        except CommandRefused as error:
            self.bench.poll()
            raise ManoeuvreFailed(f"{error} ({self.describe()})") from error

    def rest(self) -> None:
        """Ordinary stop: ask the board, wait for standstill, supply off."""
        self.is_to_turn = False
        self.bench.come_to_rest()

    # -- commands --------------------------------------------------------------------------

    def start(self, speed: float, *, mark: str = "command") -> None:
        """Start command; `mark` is ``command`` for the first one, ``restart`` after a fault."""
        self.say(f"start towards {speed:+.0f} rpm")
        self.bench.watch.expect(1 if speed > 0 else -1)
        before = self.bench.clock.now()
        with self._obeyed():
            self.bench.board.start(speed)
        self._set_point = speed
        self.is_to_turn = True
        self.bench.mark_at(mark, before, f"{speed:+.0f} rpm")

    def set_speed(self, speed: float) -> None:
        """New set point; one of opposite sign is a reversal."""
        reverses = speed * self._set_point < 0.0
        self.say(f"{'reverse' if reverses else 'set point'} to {speed:+.0f} rpm")
        if reverses:
            self.bench.watch.expect(None)
        before = self.bench.clock.now()
        with self._obeyed():
            self.bench.board.set_speed(speed)
        self._set_point = speed
        self.bench.mark_at("reverse" if reverses else "set-point", before, f"{speed:+.0f} rpm")

    def sweep(self, speed: float, seconds: float) -> None:
        """Lead the set point to `speed` on a line, by many small changes; one mark, at the end."""
        self.say(f"sweep from {self._set_point:+.0f} rpm to {speed:+.0f} rpm in {seconds:g} s")
        first, begun = self._set_point, self.bench.clock.now()
        share = 0.0
        while share < 1.0:
            self.bench.wait(min(SWEEP_STEP, seconds))
            share = min((self.bench.clock.now() - begun) / seconds, 1.0)
            before = self.bench.clock.now()
            self._set_point = float(round(first + share * (speed - first)))
            with self._obeyed():
                self.bench.board.set_speed(self._set_point)
        self.bench.mark_at("set-point", before, f"{speed:+.0f} rpm")

    def reverse(self) -> None:
        """Ask for the present set point in the other direction."""
        self.set_speed(-self._set_point)

    def repeat_set_point(self) -> None:
        """Send the present set point again; a board in fault may refuse it."""
        self.say(f"set point {self._set_point:+.0f} rpm again")
        with contextlib.suppress(CommandRefused):
            self.bench.board.set_speed(self._set_point)

    def try_out(self, command: str, value: float = 0.0) -> bool:
        """Send a command that the board should refuse; whether it did. Nothing is raised if not."""
        try:
            self.expect_refusal(command, value)
        except ManoeuvreFailed as error:
            self.say(str(error))
            return False
        return True

    def stop(self) -> None:
        """Ask the board for an orderly stop; the supply stays on."""
        self.say("stop")
        self.is_to_turn = False
        self.bench.watch.expect(None)
        with self._obeyed():
            self.bench.board.stop()
        self.bench.mark("stop")

    def clear(self) -> None:
        """Clear latched faults."""
        self.say("clear fault")
        self.bench.mark("clear")
        with self._obeyed():
            self.bench.board.clear()

    def expect_refusal(self, command: str, value: float | str = 0.0) -> None:
        """Send a command that the board must refuse: start, set-speed, sensing or clear.

        Raises
        ------
        ManoeuvreFailed
            If it is obeyed.
        """
        board = unchecked(self.bench.board)
        asked = f"{command} {value:+.0f} rpm" if isinstance(value, float) else f"{command} {value}"
        if command == "clear":
            asked = command
        self.say(f"expect refusal of {asked}")
        send: dict[str, Callable[[], None]] = {
            "start": lambda: board.start(float(value)),
            "set-speed": lambda: board.set_speed(float(value)),
            "sensing": lambda: board.select_sensing(str(value)),
            "clear": board.clear,
        }
        try:
            send[command]()
        except CommandRefused as refusal:
            self.bench.mark("refused", detail=f"{asked}: {refusal}")
            return
        self.bench.poll()
        raise ManoeuvreFailed(f"{asked} was obeyed, expected a refusal: {self.describe()}")

    # -- load ------------------------------------------------------------------------------

    def brake(self, torque: float, *, mark: str = "brake-on") -> None:
        """Brake the shaft with `torque` N m; without a brake a person is asked to.

        Raises
        ------
        NotAttended, OperatorStop
            See `hil.bench.attended.ask`.
        """
        if self.bench.brake is None:
            self._by_hand(hold(torque), mark)
            return
        self.say(f"brake on, {torque:g} N m")
        self._mark_while(lambda: self.bench.require_brake().apply(torque), mark)

    def release(self, *, mark: str = "brake-off") -> None:
        """Take the brake off, or have it taken off, see `brake`."""
        if self.bench.brake is None:
            self._by_hand(let_go(), mark)
            return
        self.say("brake off")
        self._mark_while(self.bench.require_brake().release, mark)

    def _mark_while(self, command: Callable[[], None], mark: str) -> None:
        """Command the brake, which acts while it is spoken to or within its delay afterwards.

        When, nothing tells: any instant is as likely (rectangular, JCGM 100:2008, 4.3.7).
        """
        begin = self.bench.clock.now()
        try:
            command()
        finally:
            width = self.bench.clock.now() - begin + self.bench.settings.brake_delay
            self.bench.mark_at(mark, begin + 0.5 * width, uncertainty=width / math.sqrt(12.0))

    def _by_hand(self, request: Request, mark: str) -> None:
        asked = ask(self.bench, request, self.say)
        self.bench.mark_at(mark, asked.middle, "by hand", uncertainty=asked.uncertainty)

    # -- waiting ---------------------------------------------------------------------------

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.say(f"wait {seconds:g} s")
        self.bench.wait(seconds)

    def expect_still(self, seconds: float) -> None:
        """Let time pass in which the shaft must stand.

        Raises
        ------
        ManoeuvreFailed
            If it turns by more than `STILL`, or faster than the rest speed where no tachometer
            tells its angle.
        """
        self.say(f"expect a standing shaft for {seconds:g} s")
        bench = self.bench
        bench.poll()
        origin = bench.latest.position

        def moved() -> bool:
            travel = bench.latest.position - origin
            if math.isfinite(travel):
                return abs(travel) > STILL
            return not bench.at_rest()

        if bench.wait_unless(moved, seconds):
            raise ManoeuvreFailed(
                f"the shaft turned although it was to stand for {seconds:g} s: {self.describe()}"
            )

    def wait_for_speed(self, speed: float, *, tolerance: float, within: float) -> bool:
        """Wait until the shaft is within `tolerance` % of `speed`; False if it is not in time.

        A drive that reports a fault will not get there: that ends the wait.
        """
        self.say(f"wait for {speed:+.0f} rpm within {within:g} s")
        band = abs(speed) * tolerance / 100.0
        bench = self.bench

        def there() -> bool:
            return abs(bench.latest.speed - speed) <= band

        bench.wait_until(lambda: there() or bench.latest.state is DriveState.FAULT, within)
        return there()

    def wait_for_state(self, state: DriveState, *, within: float) -> bool:
        """Wait until the board reports `state`; False if it does not in time."""
        self.say(f"wait for state {state.word} within {within:g} s")
        return self.bench.wait_until(lambda: self.bench.latest.state is state, within)

    def expect_fault(self, faults: Fault, *, within: float) -> bool:
        """Wait for the fault state with at least one of `faults` named; False if not in time."""
        names = " or ".join(faults.words) or "any"
        self.say(f"expect fault {names} within {within:g} s")
        latest = self.bench.latest
        seen = self.bench.wait_until(lambda: latest.state is DriveState.FAULT, within)
        if seen:
            self.bench.mark("fault-seen", detail=", ".join(latest.fault.words))
        return seen and (not faults or bool(latest.fault & faults))

    # -- words -----------------------------------------------------------------------------

    def describe(self) -> str:
        """The present state in words, for messages."""
        now = self.bench.latest
        state = "no telemetry" if now.state is None else f"state {now.state.word}"
        fault = f" ({', '.join(now.fault.words)})" if now.fault else ""
        return f"{state}{fault}, {now.speed:.0f} rpm, {now.current:.2f} A, {now.voltage:.2f} V"
