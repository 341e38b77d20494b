"""Limits of error from data sheets, as rig files state them."""

from __future__ import annotations

from hil.core import trace
from hil.plan.model import Model
from hil.plan.units import Angle, CurrentLimit, Ratio, Speed, TemperatureLimit, VoltageLimit


class Accuracy(Model):
    """Limits of error from the data sheet: ±(reading share + absolute), and the resolution.

    `of_reading` in %, `absolute` and `resolution` in the canonical unit of the quantity.
    """

    of_reading: Ratio = 0.0
    absolute: float = 0.0
    resolution: float = 0.0

    def limits(self) -> trace.Accuracy:
        """The same as the channels of a trace carry it."""
        return trace.Accuracy(self.of_reading / 100.0, self.absolute, self.resolution)


class SpeedAccuracy(Accuracy):
    """Limits of error of a speed, rpm."""

    absolute: Speed = 0.0
    resolution: Speed = 0.0


class PositionAccuracy(Accuracy):
    """Limits of error of an angle, mechanical degrees.

    Taken as those of an eccentric mounting, once per turn: between two angles near each other
    little of it is left.
    """

    absolute: Angle = 0.0
    resolution: Angle = 0.0


class VoltageAccuracy(Accuracy):
    """Limits of error of a voltage, V."""

    absolute: VoltageLimit = 0.0
    resolution: VoltageLimit = 0.0


class CurrentAccuracy(Accuracy):
    """Limits of error of a current, A."""

    absolute: CurrentLimit = 0.0
    resolution: CurrentLimit = 0.0


class TemperatureAccuracy(Accuracy):
    """Limits of error of a temperature, K."""

    absolute: TemperatureLimit = 0.0
    resolution: TemperatureLimit = 0.0
