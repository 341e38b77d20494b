"""Bench supply over SCPI, or over whatever commands its description gives.

config = SupplyConfig(scpi=ScpiConfig(resource=..., role="supply"), commands=SupplyCommands())
supply = ScpiSupply.open(config, clock, manager)      # implements hil.ports.instruments.Supply
"""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from hil.core.errors import InstrumentError
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.instruments import SupplyReading
from hil.ports.registry import Descriptor
from hil.ports.supply_commands import SCPI_1999, SupplyCommands, Watchdog


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyConfig:
    """A supply, and the commands that it understands.

    `current_limit`, A: the highest that it is to be given; there its over-current protection trips.
    """

    scpi: ScpiConfig
    commands: SupplyCommands = SCPI_1999
    current_limit: float = math.inf


class ScpiSupply(ScpiInstrument):
    """See `hil.ports.instruments.Supply`."""

    def __init__(self, session: ScpiSession, config: SupplyConfig, clock: Clock) -> None:
        super().__init__(session)
        self._commands, self._clock = config.commands, clock
        self._most_current = config.current_limit
        self._fed: float | None = None  # when the watchdog was last fed; None while it is off
        self._both = ""  # asks for voltage and current in one message, once that is known to work

    @classmethod
    def open(cls, config: SupplyConfig, clock: Clock, manager: Any) -> ScpiSupply:
        """Connect and make sure that the output is off."""
        commands = config.commands
        scpi = replace(
            config.scpi, command_gap=commands.command_gap, error_query=commands.error_query
        )
        session = ScpiSession.open(manager, scpi, clock)
        supply = cls(session, config, clock)
        try:
            supply.switch_off()
            supply._learn()
        except BaseException:
            session.close()
            raise
        return supply

    def _learn(self) -> None:
        """Find out, while the output is off, whether one message can ask for both readings.

        The standard wants it; many a supply answers the first query alone, or an error.
        """
        both = self._commands.measure_both
        if not both:
            return
        with suppress(InstrumentError):
            if self._session.query(both).count(";") == 1:
                self._both = both
                return
        # what else may be on its way must not be taken for the answer to another query
        self._session.distrust()
        self._session.drain_errors()

    def prepare(self, voltage: float, current_limit: float, over_voltage: float) -> None:
        """Set the protections (V), current limit (A), voltage (V); output left alone.

        Raises
        ------
        InstrumentError
            If the supply refuses a value or reads back another one.
        """
        if not 0.0 <= voltage < over_voltage:
            raise InstrumentError(
                f"{self._session.name}: voltage {voltage:g} V must lie below the over-voltage "
                f"limit {over_voltage:g} V"
            )
        # A protection level below the present set point is refused by some supplies and trips on
        # others, so the set point goes down first. It never goes up before its limits are set.
        commands = self._commands
        if commands.protection:
            if not commands.voltage_query or self._number(commands.voltage_query) >= over_voltage:
                self.set_voltage(voltage)
            self._set(
                "over-voltage protection",
                (commands.protection, commands.protection_query),
                over_voltage,
                "V",
                commands.voltage_step,
            )
        self._protect_current(current_limit)
        self.set_current_limit(current_limit)
        self.set_voltage(voltage)

    def _protect_current(self, current_limit: float) -> None:
        """Over-current protection on, read back, where it is described.

        One without a level of its own would trip at a lower limit, too, which is there to be
        reached: then it is off.
        """
        protection, session = self._commands.over_current, self._session
        if protection is None or not math.isfinite(self._most_current):
            return
        if protection.level:
            texts = protection.level, protection.level_query
            step = self._commands.current_step
            self._set("over-current protection", texts, self._most_current, "A", step)
        on = bool(protection.level) or current_limit >= self._most_current
        text = protection.enable if on else protection.disable
        if not text:
            return
        session.checked_write(self._commands.message(text))
        if protection.enabled and on is not session.query_flag(
            self._commands.message(protection.enabled)
        ):
            raise InstrumentError(
                f"{session.name}: over-current protection switched by {text!r} reads back "
                f"{'off' if on else 'on'}"
            )

    def set_voltage(self, voltage: float) -> None:
        """Change the voltage set point in V, read back."""
        commands = self._commands
        texts = commands.voltage, commands.voltage_query
        self._set("voltage", texts, voltage, "V", commands.voltage_step)

    def set_current_limit(self, current: float) -> None:
        """Change the current limit in A, read back."""
        commands = self._commands
        texts = commands.current, commands.current_query
        self._set("current limit", texts, current, "A", commands.current_step)

    @property
    def lacks(self) -> tuple[str, ...]:
        """What this supply cannot do, in words."""
        return self._commands.lacks

    def _number(self, query: str) -> float:
        return self._session.query_number(self._commands.message(query))

    def _set(self, what: str, texts: tuple[str, str], value: float, unit: str, step: float) -> None:
        session = self._session
        setting, query = texts
        session.write(self._commands.message(setting, value))
        errors = "; ".join(str(entry) for entry in session.drain_errors())
        if not query:
            if errors:
                raise InstrumentError(f"{session.name}: {what} set to {value:g} {unit}: {errors}")
            return
        found = self._number(query)
        if errors or abs(found - value) > step + 1e-9:
            said = f"the instrument says {errors}" if errors else "its error queue is empty"
            raise InstrumentError(
                f"{session.name}: {what} set to {value:g} {unit} reads back "
                f"{found:g} {unit}; {said}"
            )

    def switch_on(self) -> None:
        """Output on, verified by query; InstrumentError, after switching off, if that fails."""
        commands = self._commands
        try:
            if commands.watchdog is not None:
                self._watch_over(commands.watchdog)
            self._session.checked_write(commands.message(commands.output_on))
            if self.is_on():
                return
        except InstrumentError:
            # it may well be on: nobody knows, so it must not stay that way
            with suppress(InstrumentError):
                self.switch_off()
            raise
        hint = "".join(f": {what} protection has tripped" for what in self.trips())
        with suppress(InstrumentError):
            self.switch_off()
        raise InstrumentError(f"{self._session.name}: output switched on but reads back off{hint}")

    def switch_off(self) -> None:
        """Output off, verified by query. Safe to call at any time and more than once.

        One repeat after a failure: it first brings the connection back. If that fails too, the
        command is sent all the same: a supply that does not answer may still obey. For the same
        reason it is sent at once where the connection has to be brought back first, which takes
        its time.
        """
        if self._session.in_doubt:
            self._session.write_unproven(self._commands.message(self._commands.output_off))
        try:
            self._off_once()
        except InstrumentError:
            try:
                self._off_once()
            except InstrumentError:
                self._session.write_unproven(self._commands.message(self._commands.output_off))
                raise

    def _off_once(self) -> None:
        # no error queue here: an old error in it must not stand in the way of switching off
        commands, dog = self._commands, self._commands.watchdog
        self._session.write(commands.message(commands.output_off))
        if self.is_on():
            raise InstrumentError(f"{self._session.name}: output switched off but reads back ON")
        if dog is not None and dog.disable and self._fed is not None:
            self._session.write(commands.message(dog.disable))
        self._fed = None

    def is_on(self) -> bool:
        """Output state as the supply reports it."""
        return self._session.query_flag(self._commands.message(self._commands.output_query))

    def set_protection(self, voltage: float) -> None:
        """Set the over-voltage protection alone.

        Raises
        ------
        InstrumentError
            If the supply refuses, or if it has no protection whose trip can be seen and cleared.
        """
        commands = self._commands
        if not (commands.protection and commands.tripped and commands.clear):
            raise InstrumentError(f"{self._session.name}: {'; '.join(commands.lacks)}")
        self._session.checked_write(commands.message(commands.protection, voltage))

    def tripped(self) -> bool:
        """Whether the over-voltage protection has tripped; InstrumentError if it cannot say."""
        return self._session.query_flag(self._known(self._commands.tripped))

    def trips(self) -> tuple[str, ...]:
        """See `hil.ports.instruments.TellsTrips`; what cannot be asked is left out.

        Where the protections themselves say nothing, the standard's register of what is
        questionable does: bit 0 voltage, bit 1 current (SCPI-1999 vol. 1, 9.4).
        """
        commands, session, found = self._commands, self._session, []
        current = commands.over_current
        queries = (
            ("over-voltage", commands.tripped),
            ("over-current", current.tripped if current is not None else ""),
        )
        for what, query in queries:
            with suppress(InstrumentError):
                if query and session.query_flag(commands.message(query)):
                    found.append(what)
        if found or not commands.questionable:
            return tuple(found)
        with suppress(InstrumentError):
            bits = session.query_pattern(commands.message(commands.questionable), 16)
            found = [what for bit, (what, _) in enumerate(queries) if bits >> bit & 1]
        with suppress(InstrumentError):  # a query that it does not know is no error of the bench
            session.drain_errors()
        return tuple(found)

    def clear_protection(self) -> None:
        """Reset a tripped over-voltage protection; the output stays off."""
        self._session.checked_write(self._known(self._commands.clear))

    def _known(self, text: str) -> str:
        if not text:
            raise InstrumentError(f"{self._session.name}: {'; '.join(self._commands.lacks)}")
        return self._commands.message(text)

    def set_point(self) -> float | None:
        """See `hil.ports.instruments.TellsItsState`."""
        query = self._commands.voltage_query
        return self._number(query) if query else None

    def errors(self) -> tuple[str, ...]:
        """See `hil.ports.instruments.TellsItsState`."""
        return tuple(str(entry) for entry in self._session.drain_errors())

    def measure(self) -> SupplyReading:
        """Measured voltage and current, timed to the middle of asking for them."""
        self._feed()
        before = self._clock.now()
        if self._both:
            voltage, current = self._session.query_each(self._both, 2)
        else:
            voltage = self._number(self._commands.measure_voltage)
            current = self._number(self._commands.measure_current)
        return SupplyReading((before + self._clock.now()) / 2.0, voltage, current)

    def _watch_over(self, dog: Watchdog) -> None:
        """Enable the watchdog of the supply, and see that it is."""
        self._session.checked_write(self._commands.message(dog.enable))
        self._fed = self._clock.now()
        if not dog.query:
            return
        found = self._session.query(self._commands.message(dog.query))
        if not _same(found, dog.reads):
            raise InstrumentError(
                f"{self._session.name}: the communication watchdog was enabled by {dog.enable!r}, "
                f"but {dog.query!r} is answered with {found!r}, expected {dog.reads!r}"
            )

    def _feed(self) -> None:
        """Keep the watchdog of the supply quiet: the bench reads it all the time while it is on."""
        dog = self._commands.watchdog
        if dog is None or not dog.keep_alive or self._fed is None:
            return
        if self._clock.now() - self._fed >= dog.interval / 2.0:
            self._session.write(self._commands.message(dog.keep_alive))
            self._fed = self._clock.now()


def _same(found: str, expected: str) -> bool:
    """Whether two answers say the same, as numbers where they are numbers."""
    try:
        return float(found) == float(expected)
    except ValueError:
        return found.upper() == expected.upper()


DESCRIPTOR = Descriptor(
    name="scpi",
    port="supply",
    driver=ScpiSupply,
    config=SupplyConfig,
    open=ScpiSupply.open,
    probe=needs_visa,
    capabilities=frozenset({"over-voltage-protection", "current-limit"}),
)
