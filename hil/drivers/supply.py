"""Bench supply over SCPI.

config = SupplyConfig(scpi=ScpiConfig(resource=..., role="supply"))
supply = ScpiSupply.open(config, clock, manager)      # implements hil.ports.instruments.Supply
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from hil.core.errors import InstrumentError
from hil.core.record import Identity
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_numbers import format_number
from hil.ports.clock import Clock
from hil.ports.instruments import SupplyReading
from hil.ports.registry import Descriptor


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyConfig:
    """A supply. `voltage_step`, `current_step`: how far a set point may read back off, V and A."""

    scpi: ScpiConfig
    voltage_step: float = 0.02
    current_step: float = 0.02


class ScpiSupply:
    """See `hil.ports.instruments.Supply`."""

    def __init__(self, session: ScpiSession, config: SupplyConfig, clock: Clock) -> None:
        self._session, self._config, self._clock = session, config, clock

    @classmethod
    def open(cls, config: SupplyConfig, clock: Clock, manager: Any) -> ScpiSupply:
        """Connect and make sure that the output is off."""
        session = ScpiSession.open(manager, config.scpi, clock)
        supply = cls(session, config, clock)
        try:
            supply.switch_off()
        except BaseException:
            session.close()
            raise
        return supply

    def identify(self) -> Identity:
        """Answer to ``*IDN?``, split."""
        return self._session.identity

    def prepare(self, voltage: float, current_limit: float, over_voltage: float) -> None:
        """Set over-voltage protection (V), current limit (A), voltage (V); output left alone.

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
        if self._session.query_number("VOLT?") >= over_voltage:
            self.set_voltage(voltage)
        step = self._config.voltage_step
        self._set("over-voltage protection", "VOLT:PROT", over_voltage, "V", step)
        self._set("current limit", "CURR", current_limit, "A", self._config.current_step)
        self.set_voltage(voltage)

    def set_voltage(self, voltage: float) -> None:
        """Change the voltage set point in V, read back."""
        self._set("voltage", "VOLT", voltage, "V", self._config.voltage_step)

    def _set(self, what: str, header: str, value: float, unit: str, step: float) -> None:
        session = self._session
        session.write(f"{header} {format_number(value)}")
        errors = "; ".join(str(entry) for entry in session.drain_errors())
        found = session.query_number(f"{header}?")
        if errors or abs(found - value) > step + 1e-9:
            said = f"the instrument says {errors}" if errors else "its error queue is empty"
            raise InstrumentError(
                f"{session.name}: {what} set to {value:g} {unit} reads back "
                f"{found:g} {unit}; {said}"
            )

    def switch_on(self) -> None:
        """Output on, verified by query; InstrumentError, after switching off, if that fails."""
        try:
            self._session.checked_write("OUTP ON")
            if self.is_on():
                return
        except InstrumentError:
            # it may well be on: nobody knows, so it must not stay that way
            with suppress(InstrumentError):
                self.switch_off()
            raise
        hint = ""
        with suppress(InstrumentError):  # not every supply has this query
            if self._session.query_flag("VOLT:PROT:TRIP?"):
                hint = ": over-voltage protection has tripped"
        with suppress(InstrumentError):
            self.switch_off()
        raise InstrumentError(f"{self._session.name}: output switched on but reads back off{hint}")

    def switch_off(self) -> None:
        """Output off, verified by query. Safe to call at any time and more than once.

        One repeat after a failure: it first brings the connection back.
        """
        try:
            self._off_once()
        except InstrumentError:
            self._off_once()

    def _off_once(self) -> None:
        # no error queue here: an old error in it must not stand in the way of switching off
        self._session.write("OUTP OFF")
        if self.is_on():
            raise InstrumentError(f"{self._session.name}: output switched off but reads back ON")

    def is_on(self) -> bool:
        """Output state as the supply reports it."""
        return self._session.query_flag("OUTP?")

    def set_protection(self, voltage: float) -> None:
        """Set the over-voltage protection alone; InstrumentError if the supply refuses."""
        self._session.checked_write(f"VOLT:PROT {format_number(voltage)}")

    def tripped(self) -> bool:
        """Whether the over-voltage protection has tripped."""
        return self._session.query_flag("VOLT:PROT:TRIP?")

    def clear_protection(self) -> None:
        """Reset a tripped over-voltage protection; the output stays off."""
        self._session.checked_write("VOLT:PROT:CLE")

    def measure(self) -> SupplyReading:
        """Measured voltage and current, timed to the middle of the two queries."""
        before = self._clock.now()
        voltage = self._session.query_number("MEAS:VOLT?")
        current = self._session.query_number("MEAS:CURR?")
        return SupplyReading((before + self._clock.now()) / 2.0, voltage, current)

    def close(self) -> None:
        """Release the session; a second call does nothing. The output is left as it is."""
        self._session.close()


DESCRIPTOR = Descriptor(
    name="scpi",
    port="supply",
    driver=ScpiSupply,
    config=SupplyConfig,
    open=ScpiSupply.open,
    probe=needs_visa,
    capabilities=frozenset({"over-voltage-protection", "current-limit"}),
)
