"""Simulated bench supply: set points, over-voltage protection, constant current, readback."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from hil.core.trace import Accuracy
from hil.twin.drive_like import DriveLike
from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.meter import Meter, quantise
from hil.twin.instruments.parameters import boolean, decimal, limit, number
from hil.twin.scpi import ScpiError

#: Bits of the questionable register (SCPI-1999 volume 1, 9.4: bit 0 voltage, bit 1 current).
OVER_VOLTAGE, CURRENT_LIMITED = 1, 2
#: Delay of the over-current protection when the supply is switched on, and the longest, s: charging
#: a DC link at the current limit must not trip it (common practice, no source).
CURRENT_DELAY, LONGEST_DELAY = 0.1, 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyRating:
    """Data sheet of the supply: V and A; steps are the resolution of the set points.

    `misreading` says how this one supply misreads, in shares of the limits of error, -1 to 1: gain
    and offset of the voltmeter, then of the ammeter. NaN where the seed shall decide.
    """

    voltage: float = 60.0
    current: float = 20.0
    over_voltage: float = 66.0
    voltage_step: float = 0.001
    current_step: float = 0.001
    voltage_accuracy: Accuracy = field(default_factory=lambda: Accuracy(0.0005, 0.005, 0.001))
    current_accuracy: Accuracy = field(default_factory=lambda: Accuracy(0.001, 0.005, 0.001))
    misreading: tuple[float, float, float, float] = (math.nan,) * 4


class SimulatedSupply(SimulatedInstrument):
    """A supply that feeds the drive.

    Over-voltage protection looks at the terminals, which are wired to the DC link, in every PWM
    period while the output is on. A trip switches the output off and stays until it is cleared;
    switching on is refused (-221) until then.

    Over-current protection, once enabled, trips in the same way when the supply current has been at
    its level, or at the current limit if that is lower, for the set delay.

    Attributes
    ----------
    tripped, current_tripped : which of the two has.
    current_trip : where and after which delay the second does, A and s.
    stuck_off : True and the output relay does not close (for fault scenarios).
    """

    def __init__(
        self,
        drive: DriveLike,
        rating: SupplyRating | None = None,
        seed: int = 0,
        serial: str = "SIM-0001",
    ) -> None:
        super().__init__("supply", "SIM-SUPPLY", serial)
        self._drive = drive
        self.rating = rating = rating or SupplyRating()
        rng = np.random.default_rng([seed, 1])
        self._voltmeter = Meter(rating.voltage_accuracy, rng, rating.misreading[:2])
        self._ammeter = Meter(rating.current_accuracy, rng, rating.misreading[2:])
        self.stuck_off = False
        self._add_level("VOLTage", "voltage", "V", rating.voltage, 0.0)
        self._add_level("CURRent", "current", "A", rating.current, 0.0)
        self._add_protection()
        self._add_current_protection()
        self.tree.add("OUTPut[:STATe]", self._switch, boolean)
        self.tree.add("OUTPut[:STATe]?", lambda: str(int(self.on)))
        self.tree.add("MEASure[:SCALar]:VOLTage[:DC]?", self._measure_voltage)
        self.tree.add("MEASure[:SCALar]:CURRent[:DC]?", self._measure_current)
        self.reset()

    def reset(self) -> None:
        """0 V, 0 A, protection at its highest level and enabled, trip cleared, output off."""
        self.levels = {"voltage": 0.0, "current": 0.0, "protection": self.rating.over_voltage}
        self.current_trip = {"level": self.rating.current, "delay": CURRENT_DELAY}
        self.protected, self.on, self.current_protected = True, False, False
        self._over_since = math.inf
        self.current_tripped = False
        self._clear_trip()

    def observe(self, now: float) -> None:
        """Check the protections and the current limit."""
        if not self.on:
            self._over_since = math.inf
            return
        drive = self._drive
        if drive.over_voltage_tripped:
            self.tripped, self.on = True, False
            self._apply()
            return
        limited = drive.supply_current >= 0.99 * self.levels["current"]
        if self.current_protected:
            over = limited or drive.supply_current >= self.current_trip["level"]
            self._over_since = min(self._over_since, now) if over else math.inf
            if now - self._over_since >= self.current_trip["delay"]:
                self.trip_over_current()
                return
        if limited or self.status.questionable.condition:
            self.status.questionable.update(CURRENT_LIMITED if limited else 0)

    def trip_over_current(self) -> None:
        """The over-current protection trips."""
        self.current_tripped, self.on = True, False
        self._apply()

    def shift_voltmeter(self, volts: float) -> None:
        """Let the voltage read back wrong by that much more, V."""
        self._voltmeter.offset += volts

    def power_off(self) -> None:
        """Output off."""
        self.on = False
        self._apply()

    def _add_level(self, word: str, name: str, unit: str, high: float, default: float) -> None:
        header = f"[SOURce:]{word}[:LEVel][:IMMediate][:AMPLitude]"
        step = self.rating.voltage_step if unit == "V" else self.rating.current_step

        def assign(value: float) -> None:
            self.levels[name] = min(quantise(value, step), high)
            self._apply()

        def answer(bound: float | None = None) -> str:
            return decimal(self.levels[name] if bound is None else bound)

        self.tree.add(header, assign, number(0.0, high, unit, default=default))
        self.tree.add(f"{header}?", answer, limit(0.0, high, default), optional=1)

    def _add_protection(self) -> None:
        header, high = "[SOURce:]VOLTage:PROTection", self.rating.over_voltage

        def assign(value: float) -> None:
            self.levels["protection"] = quantise(value, self.rating.voltage_step)
            self._apply()

        def answer(bound: float | None = None) -> str:
            return decimal(self.levels["protection"] if bound is None else bound)

        def enable(on: bool) -> None:
            self.protected = on
            self._apply()

        self.tree.add(f"{header}[:LEVel]", assign, number(0.0, high, "V", default=high))
        self.tree.add(f"{header}[:LEVel]?", answer, limit(0.0, high, high), optional=1)
        self.tree.add(f"{header}:STATe", enable, boolean)
        self.tree.add(f"{header}:STATe?", lambda: str(int(self.protected)))
        self.tree.add(f"{header}:TRIPped?", lambda: str(int(self.tripped)))
        self.tree.add(f"{header}:CLEar", self._clear_trip)
        self.tree.add("OUTPut:PROTection:CLEar", self._clear_trips)

    def _add_current_protection(self) -> None:
        header, high = "[SOURce:]CURRent:PROTection", self.rating.current
        self._add_number(f"{header}[:LEVel]", "level", "A", high)
        self._add_number(f"{header}:DELay", "delay", "s", LONGEST_DELAY)

        def enable(on: bool) -> None:
            self.current_protected, self._over_since = on, math.inf

        self.tree.add(f"{header}:STATe", enable, boolean)
        self.tree.add(f"{header}:STATe?", lambda: str(int(self.current_protected)))
        self.tree.add(f"{header}:TRIPped?", lambda: str(int(self.current_tripped)))
        self.tree.add(f"{header}:CLEar", self._clear_current_trip)

    def _add_number(self, header: str, name: str, unit: str, high: float) -> None:
        """A number that only matters here, and its query."""

        def assign(value: float) -> None:
            self.current_trip[name] = quantise(value, self.rating.current_step)

        def answer(bound: float | None = None) -> str:
            return decimal(self.current_trip[name] if bound is None else bound)

        self.tree.add(header, assign, number(0.0, high, unit, default=high))
        self.tree.add(f"{header}?", answer, limit(0.0, high, high), optional=1)

    def _clear_trips(self) -> None:
        self._clear_current_trip()
        self._clear_trip()

    def _clear_current_trip(self) -> None:
        self.current_tripped = False  # the output stays off, as below
        self._apply()

    def _clear_trip(self) -> None:
        self._drive.clear_over_voltage()
        self.tripped = False  # the output stays off: switching on again is a decision
        self._apply()

    def _switch(self, on: bool) -> None:
        if on and self.tripped:
            raise ScpiError(-221, "over-voltage protection has tripped")
        if on and self.current_tripped:
            raise ScpiError(-221, "over-current protection has tripped")
        self.on = on and not self.stuck_off
        self._apply()

    def _apply(self) -> None:
        self._drive.set_over_voltage(self.levels["protection"] if self.protected else math.inf)
        self._drive.set_supply(self.levels["voltage"], self.levels["current"], self.on)
        current = CURRENT_LIMITED if self.current_tripped else 0
        self.status.questionable.update(current | (OVER_VOLTAGE if self.tripped else 0))

    def _measure_voltage(self) -> str:
        return decimal(self._voltmeter.read(self._drive.supply_voltage))

    def _measure_current(self) -> str:
        return decimal(self._ammeter.read(self._drive.supply_current))
