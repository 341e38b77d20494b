"""Simulated instruments that answer with one number: counter, encoder, thermometer."""

from __future__ import annotations

import math
from collections.abc import Callable

from hil.twin.instruments.base import SimulatedInstrument
from hil.twin.instruments.meter import quantise
from hil.twin.instruments.parameters import decimal

COUNTS = 4096  # per turn
FREQUENCY_STEP = 0.01  # Hz
TEMPERATURE_STEP = 0.1  # K


def counted(angle: float) -> float:
    """Angle in deg as an encoder counts it."""
    return math.floor(angle * (COUNTS / 360.0)) * (360.0 / COUNTS)


def angle_text(angle: float) -> str:
    """Reply in deg; seven digits would lose the counts of a shaft that has turned for long."""
    return f"{counted(angle):.4f}"


class SimulatedCounter(SimulatedInstrument):
    """One pulse a turn: ``MEASure:FREQuency?`` in Hz, negative counter-clockwise if it can tell.

    ``MEASure:POSition?`` answers the counted angle in deg.

    Parameters
    ----------
    speed, angle : of the shaft now, rpm and deg.
    """

    def __init__(
        self,
        speed: Callable[[], float],
        angle: Callable[[], float],
        *,
        senses_direction: bool,
        serial: str = "SIM-0001",
    ) -> None:
        super().__init__("tachometer", "SIM-COUNTER", serial)

        def frequency() -> str:
            turns = speed() / 60.0
            return decimal(quantise(turns if senses_direction else abs(turns), FREQUENCY_STEP))

        self.tree.add("MEASure[:SCALar]:FREQuency?", frequency)
        self.tree.add("MEASure[:SCALar]:POSition?", lambda: angle_text(angle()))


class SimulatedEncoder(SimulatedInstrument):
    """``MEASure:POSition?`` answers the `angle` of the shaft in deg, counted and unwrapped."""

    def __init__(self, angle: Callable[[], float], serial: str = "SIM-0001") -> None:
        super().__init__("encoder", "SIM-ENCODER", serial)
        self.tree.add("MEASure[:SCALar]:POSition?", lambda: angle_text(angle()))


class SimulatedThermometer(SimulatedInstrument):
    """``MEASure:TEMPerature?`` answers the `temperature` of the power stage in degC.

    Attributes
    ----------
    broken : True and the sensor is open: the answer is that there is no value.
    """

    def __init__(self, temperature: Callable[[], float], serial: str = "SIM-0001") -> None:
        super().__init__("thermometer", "SIM-THERMO", serial)
        self.broken = False

        def answer() -> str:
            if self.broken:
                return decimal(math.nan)
            return decimal(quantise(temperature(), TEMPERATURE_STEP))

        self.tree.add("MEASure[:SCALar]:TEMPerature?", answer)
