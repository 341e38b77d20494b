"""An opened rig: energised in order, and safe whenever it is left."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

from hil.bench.coming_up import ComingUp
from hil.bench.dc_link import heard_of_link
from hil.bench.parts import Parts, Settings
from hil.bench.readout import Readout
from hil.core.errors import (
    BenchError,
    CommandRefused,
    HilError,
    InstrumentError,
    ScenarioError,
)
from hil.ports.board import Nudged
from hil.ports.instruments import Brake, SignalSwitch

#: Readings in a row that must lie in the band before an output counts as settled.
SETTLED_READINGS = 3
#: How what is wrong with a supply begins that may not be off.
NOT_OFF = "the supply is not proven off, its output may still be on"

__all__ = ["Bench", "Parts", "Settings", "closing"]


class Bench(Readout):
    """An opened rig.

    What `Readout` reads while time passes, and the ways to energise it, to bring it to rest and to
    make it safe.
    """

    @property
    def guarded(self) -> bool:
        """Whether a guard process would switch the supply off if this one died."""
        return self.keeper.guarded

    def energise(self, voltage: float, *, current_limit: float | None = None) -> None:
        """Limits first, then voltage, read back, then output on, then settled by measurement.

        Raises
        ------
        ScenarioError
            For a voltage that the rig file does not allow, before anything is done.
        InstrumentError
            If a readback differs or the output does not settle.
        Overload
            If it draws what charging the DC link does not explain.
        InterlockOpen
            If the emergency stop is pressed or a guard open; GuardLost without a guard process.
        """
        settings = self.settings
        if not 0.0 < voltage <= settings.max_voltage:
            raise ScenarioError(
                f"voltage: expected more than 0 V, at most {settings.max_voltage:g} V (max-voltage "
                f"of the supply), found {voltage:g} V"
            )
        self._settled_at, self._asked = None, voltage
        self._lost, self._tripped = "", False
        self.keeper.check_interlocks()
        limit = settings.current_limit if current_limit is None else current_limit
        self.supply.prepare(voltage, limit, settings.over_voltage)
        # A shaft that still coasts from before may turn; one that stands may not start by itself.
        if abs(self.latest.speed) >= settings.rest_speed:
            self.watch.expect(None)
        else:  # or nothing has been read yet
            self.watch.expect_rest(self.clock.now(), settings.rest_speed)
        self.keeper.before_output_on()
        self.supply_watch.begin(limit)
        self.energised = True
        self.supply.switch_on()
        self.mark("supply-on")
        self._coming_up = ComingUp(
            asked=voltage,
            settling=settings.settling,
            current_limit=limit,
            limits=self.watch.limits,
            capacitance=settings.dc_link_capacitance,
            begun=self.clock.now(),
        )
        try:
            self.await_voltage(voltage)
        finally:
            self._coming_up = None

    def await_voltage(self, voltage: float) -> None:
        """Wait until every reading has been at `voltage` for as long as the supply needs.

        Raises
        ------
        InstrumentError
            If that is not so in time.
        """
        rule, clock = self.settings.settling, self.clock
        self._settled_at, self._asked = None, voltage
        tolerance = voltage * rule.within / 100.0
        inside, since, deadline = 0, 0.0, clock.now() + rule.limit
        settled = False
        while not settled:
            reading = self._read_supply()
            self._poll_probes()
            # An inrush is part of coming up: the output has settled once it is over.
            inrush = abs(reading.current) > self.watch.limits.current
            near = abs(reading.voltage - voltage) <= tolerance and not inrush
            since = since if near and inside else reading.time
            inside = inside + 1 if near else 0
            settled = inside >= SETTLED_READINGS and reading.time - since >= rule.hold - 1e-9
            if not settled and clock.now() > deadline:
                raise InstrumentError(
                    f"supply output did not settle: measured {reading.voltage:.3f} V at "
                    f"{reading.current:.3f} A after {rule.limit:g} s, expected {voltage:g} V "
                    f"within {rule.within:g} % for {rule.hold:g} s"
                )
            self._sleep(0.02)
            if self._due(self._seldom) <= 0.0:
                self.poll()
        self._settled_at = voltage

    def at_rest(self) -> bool:
        """True when the shaft stands, as far as anything can tell."""
        return abs(self.latest.speed) < self.settings.rest_speed

    def supply_lost(self) -> str:
        """As `Readout.supply_lost`; where the guard switched off, why."""
        lost = super().supply_lost()
        return self.keeper.guard_acted() or lost if lost else ""

    def come_to_rest(self) -> bool:
        """Ordinary stop: ask the board, wait for standstill, then supply off; True if it stood.

        Raises
        ------
        InstrumentError
            If the supply had gone off by itself before.
        """
        if lost := self.supply_lost():
            raise self.loss(lost)
        self.supply_watch.check_errors()
        self.watch.expect(None)
        self.observer.step("stop, until the shaft stands")
        # A board that refuses to stop is seen by the shaft that goes on turning.
        with contextlib.suppress(CommandRefused):
            self.board.stop()
        self.mark("stop")
        begun = self.clock.now()
        if self.brake is not None:
            self.brake.release()
        stood = self.wait_until(self.at_rest, self.settings.rest_time)
        stopped = self.clock.now()
        self.observer.step("supply off")
        self.switch_off()
        self.keeper.note_stop(
            f"normal stop: {'standstill' if stood else 'NO standstill'} {stopped - begun:.3f} s "
            f"after the command, supply off, read back, {self.clock.now() - stopped:.3f} s later"
        )
        if isinstance(self.board, Nudged):
            self.board.settle()  # the supply is off: now it may take its time
        return stood

    def switch_off(self) -> None:
        """Supply off, verified. Safe at any time.

        Raises
        ------
        InstrumentError
            If the supply does not answer or its output reads back on.
        """
        self._settled_at = None
        self.supply.switch_off()
        self.energised = False
        self.keeper.output_is_off()

    def make_safe(self) -> list[str]:
        """Supply off at once, brake released, signal lines closed; never raises.

        Returns what went wrong on the way, for the record; where the supply is not proven off, with
        what the board says of its DC link.
        """
        problems: list[str] = []
        emergency, begun = self.energised, self.clock.now()
        if emergency:
            self.keeper.demand_off()
        steps: list[tuple[str, Callable[[], None]]] = [(NOT_OFF, self.switch_off)]
        if self.brake is not None:
            steps.append(("the brake may still be on", self.brake.release))
        if self.switch is not None:
            steps.append(("signal lines may still be open", self.switch.restore))
            self.watch.sensor_back(self.clock.now())
        for otherwise, step in steps:
            try:
                step()
            except HilError as error:
                problems.append(f"{otherwise}: {error}")
            except Exception as error:  # a defect in one driver must not keep the next from acting
                problems.append(f"{otherwise}: {type(error).__name__}: {error}")
            if emergency and step == self.switch_off:
                proven = "NOT proven off" if problems else "off, read back,"
                took = self.clock.now() - begun
                self.keeper.note_stop(
                    f"emergency stop: supply {proven} {took:.3f} s after its cause"
                )
        if self.energised and problems and problems[0].startswith(NOT_OFF):
            mute = self._heard is None
            told = heard_of_link(self.board, self.clock, self._asked, mute=mute)
            problems[0] += f"; {told}"
        return problems

    def require_switch(self) -> SignalSwitch:
        """The signal switch.

        Raises
        ------
        BenchError
            If none is wired.
        """
        if self.switch is None:
            raise BenchError("this scenario needs a signal switch and the rig file names none")
        return self.switch

    def require_brake(self) -> Brake:
        """The brake.

        Raises
        ------
        BenchError
            If none is wired.
        """
        if self.brake is None:
            raise BenchError("this scenario needs a brake and the rig file names none")
        return self.brake

    def close(self) -> list[str]:
        """Make safe and release every port; returns what went wrong."""
        return self.make_safe() + self.release()

    def release(self) -> list[str]:
        """Release every port of a bench that was made safe; returns what went wrong."""
        problems: list[str] = []
        for part in (
            self.board, self.tachometer, self.encoder, self.thermometer, self.brake, self.switch,
            self.supply,
        ):  # fmt: skip
            if part is not None:
                _attempt("closing a port", part.close, problems)
        for action in self._on_close:
            _attempt("closing the bench", action, problems)
        return problems + self.keeper.close()


def _attempt(what: str, action: Callable[[], None], problems: list[str]) -> None:
    """Do it, and note what goes wrong: whatever else is open must still be closed."""
    try:
        action()
    except Exception as error:
        problems.append(f"{what} failed: {type(error).__name__}: {error}")


@contextlib.contextmanager
def closing(bench: Bench) -> Iterator[Bench]:
    """Close the bench on every way out."""
    try:
        yield bench
    finally:
        bench.close()
