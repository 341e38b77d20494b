"""Whether an output that has just gone on comes up as charging the DC link explains.

A capacitor that is charged at the current limit rises, and is charged after ``C V / I``. A short,
or a load that should not be there, takes the current and stands still. No command has been given
by then: what is wrong is wrong with the bench, and not with its firmware.
"""

from __future__ import annotations

from hil.bench.limits import Limits
from hil.bench.supply_watch import LIMITING
from hil.core.errors import InstrumentError
from hil.ports.instruments import SupplyReading
from hil.ports.supply_commands import Settling

#: What the capacitors of the rig file take is allowed for so many times: those of the board's own
#: supplies come on top, and electrolytic ones differ (common practice, no source).
MARGIN = 2.0
#: At least so long, s: an ammeter that averages shows an inrush longer than it lasts.
LEAST = 0.1
#: A voltage that rises by this share of what it is to reach, in that time, is that of a capacitor.
RISE = 0.02


class Overload(InstrumentError):
    """More than the DC link takes at output-on; a person must look before it is tried again."""


class ComingUp:
    """Holds the readings of an output that has just gone on against what charging explains.

    Parameters
    ----------
    asked : V that the output is to reach, `settling` how near.
    current_limit : A, of the supply.
    capacitance : F, of the DC link.
    begun : host time of output-on, s.
    """

    def __init__(
        self,
        *,
        asked: float,
        settling: Settling,
        current_limit: float,
        limits: Limits,
        capacitance: float,
        begun: float,
    ) -> None:
        self._asked, self._near = asked, asked * settling.within / 100.0
        self._limit, self._limits = current_limit, limits
        self._capacitance, self._begun = capacitance, begun
        charged = capacitance * asked / current_limit if current_limit > 0.0 else 0.0
        self._charged, self._explained = charged, max(LEAST, MARGIN * charged)
        self._risen: SupplyReading | None = None  # limiting since, or highest so far

    def check(self, reading: SupplyReading) -> None:
        """Raise if this reading is not one of a DC link that charges.

        Raises
        ------
        Overload
            Above the abort limit of the current for longer than charging takes, or at the supply's
            current limit with a voltage that does not rise.
        InstrumentError
            Above the abort limit of the voltage.
        """
        if abs(reading.voltage) > self._limits.dc_link_voltage:
            raise InstrumentError(
                f"supply output set to {self._asked:g} V reads {reading.voltage:.2f} V at "
                f"output-on, above the abort limit of {self._limits.dc_link_voltage:g} V"
            )
        beyond = abs(reading.current) > self._limits.current
        if beyond and reading.time - self._begun > self._explained:
            raise self._overload(reading, f", abort limit {self._limits.current:g} A")
        if self._stands(reading):
            raise self._overload(reading)

    def _stands(self, reading: SupplyReading) -> bool:
        """Whether the supply limits its current and the voltage has not risen for too long."""
        limiting = reading.current >= LIMITING * self._limit
        if not limiting or reading.voltage >= self._asked - self._near:
            self._risen = None
            return False
        risen = self._risen
        if risen is None or reading.voltage > risen.voltage + RISE * self._asked:
            self._risen = reading
            return False
        return reading.time - risen.time > self._explained

    def _overload(self, reading: SupplyReading, more: str = "") -> Overload:
        ohms = abs(reading.voltage / reading.current) if reading.current else 0.0
        return Overload(
            f"overload at output-on: {reading.voltage:.2f} V of {self._asked:g} V reached "
            f"{reading.time - self._begun:.2f} s after, at {reading.current:.2f} A (current limit "
            f"{self._limit:g} A{more}), as into {ohms:.2g} ohm; charging "
            f"{self._capacitance * 1e6:g} uF takes {self._charged:.2g} s. Look at polarity, leads, "
            f"connectors, power stage, and at what the board drives unasked"
        )
