"""Abort limits: watched on every reading, whatever the scenario does."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from hil.bench.agreement import Agreement, AgreementLimits
from hil.core.errors import FirmwareError
from hil.core.trace import FloatArray
from hil.ports.board import BoardReadings
from hil.ports.instruments import ShaftReadings, SupplyReading

#: s after output-on in which no board is taken to have its DC link charged and the shaft turning
#: (common practice, no source; a shaft that did would go unwatched until it is commanded).
AT_ONCE = 2e-3
#: s after which a board has long reported the sensor that is back in its place, and all that was on
#: its way has been read (common practice, no source).
SENSOR_BACK = 0.5


class LimitExceeded(FirmwareError):
    """A reading went beyond an abort limit; the supply is switched off at once.

    Attributes
    ----------
    what : the limit, as the rig file names it; "" for motion that is not as commanded.
    """

    def __init__(self, text: str, what: str = "") -> None:
        super().__init__(text)
        self.what = what


@dataclass(frozen=True, slots=True)
class Limits:
    """Abort limits in canonical units; `wrong_direction` in deg, `idle_travel` in deg.

    `idle_speed`, rpm, stands in for the travel where the angle of the shaft is not known; against
    the commanded direction the travel is then that which the speed comes to. `directed`: the
    tachometer tells which way the shaft turns; else nothing is said of the direction.

    `agreement` says how far reported and witnessed speed may be apart.
    """

    speed: float
    current: float
    dc_link_voltage: float
    temperature: float
    wrong_direction: float = 720.0
    idle_travel: float = 10.0
    idle_speed: float = 60.0
    directed: bool = True
    agreement: AgreementLimits = field(default_factory=AgreementLimits)


class Watch:
    """Holds every new reading against the limits.

    `expected` is the direction the shaft was commanded to turn (+1, -1), 0 while nothing was
    commanded and the shaft must not move, None while either direction is right (a reversal, a
    shaft that is coasting).
    """

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._agreement = Agreement(limits.agreement)
        self._expected: int | None = None
        self._origin: float | None = None  # deg, where the shaft rested
        self._furthest = -np.inf  # deg, furthest travel in the commanded direction
        self._unseen: tuple[float, float] | None = None  # s, rpm: until the first sample is there
        self._knows_angle = False  # the tachometer does
        self._turned: tuple[float, float] | None = None  # s, deg: by the speed, where it does not
        self._replaced_until = -np.inf  # s, something stands in for the sensor of the stage

    def expect(self, direction: int | None) -> None:
        """From now on the shaft is expected to turn this way."""
        self._expected = direction
        self._origin, self._furthest = None, -np.inf
        self._unseen = None

    def expect_rest(self, since: float, rest_speed: float) -> None:
        """From now, `since`, on the shaft must not start; if it turns already, it may run down.

        That it does, as after an emergency stop, is told by the first sample, if it is from before
        the board could have moved it: `rest_speed` rpm or more.
        """
        self.expect(0)
        self._unseen = (since + AT_ONCE, rest_speed)

    def sensor_replaced(self) -> None:
        """What the board reports is not the temperature of the stage until `sensor_back`.

        A thermometer is held against the limit as before.
        """
        self._replaced_until = np.inf

    def sensor_back(self, now: float) -> None:
        """The sensor is in its place again, since `now`, s."""
        if self._replaced_until == np.inf:
            self._replaced_until = now + SENSOR_BACK

    def forget(self) -> None:
        """A new trace begins: readings of before are not compared with those to come."""
        self._agreement.forget()

    def check_board(self, readings: BoardReadings) -> None:
        """Raise if the firmware reports something beyond a limit, or contradicts the shaft."""
        for name, limit, unit in (
            ("reported.speed", self.limits.speed, "rpm"),
            ("reported.current", self.limits.current, "A"),
            ("reported.voltage", self.limits.dc_link_voltage, "V"),
        ):
            self._check(name, readings.values.get(name), limit, unit)
        degrees = readings.values.get("reported.temperature")
        if degrees is not None:
            own = degrees[readings.host_time > self._replaced_until]
            self._check("reported.temperature", own, self.limits.temperature, "degC")
        self._agreement.check(readings)

    def check_supply(self, reading: SupplyReading) -> None:
        """Raise `LimitExceeded` if the supply readback is beyond a limit."""
        limits = self.limits
        if abs(reading.voltage) > limits.dc_link_voltage:
            raise _beyond("supply.voltage", abs(reading.voltage), limits.dc_link_voltage, "V")
        if abs(reading.current) > limits.current:
            raise _beyond("supply.current", abs(reading.current), limits.current, "A")

    def check_temperature(self, degrees: float) -> None:
        """Raise `LimitExceeded` if the thermometer reads more than the limit, degC."""
        if abs(degrees) > self.limits.temperature:
            raise _beyond("witness.temperature", abs(degrees), self.limits.temperature, "degC")

    def check_shaft(self, readings: ShaftReadings) -> None:
        """Raise `LimitExceeded` for over-speed, the wrong direction, or motion uncommanded."""
        if not readings.time.size:
            return
        self._check("witness.speed", readings.speed, self.limits.speed, "rpm")
        self._agreement.add_shaft(readings)
        if self._unseen is not None:
            (until, rest_speed), self._unseen = self._unseen, None
            if readings.time[0] <= until and abs(readings.speed[0]) >= rest_speed:
                self.expect(None)
        if self._expected is None:
            return
        # A sample without an angle says nothing, and must not silence those that have one.
        known = readings.position[np.isfinite(readings.position)]
        if self._expected == 0:
            if not known.size:
                self._check_idle_speed(readings)
                return
            self._origin = float(known[0]) if self._origin is None else self._origin
            travel = float(np.max(np.abs(known - self._origin)))
            if travel > self.limits.idle_travel:
                raise LimitExceeded(
                    f"the shaft moved {travel:.1f} deg although no motion was commanded "
                    f"(limit {self.limits.idle_travel:g} deg)"
                )
            return
        if not self.limits.directed:
            return
        if known.size and not self._knows_angle:
            self._knows_angle, self._furthest = True, -np.inf
        forward = (known if self._knows_angle else self._by_speed(readings)) * self._expected
        if not forward.size:
            return
        self._furthest = max(self._furthest, float(forward.max()))
        behind = self._furthest - float(forward[-1])
        if behind > self.limits.wrong_direction:
            raise LimitExceeded(
                f"the shaft turned {behind:.0f} deg against the commanded direction "
                f"(limit {self.limits.wrong_direction:g} deg)"
            )

    def _by_speed(self, readings: ShaftReadings) -> FloatArray:
        """Angles, deg, as far as the shaft has turned by its speed since the first sample."""
        told = np.isfinite(readings.speed)
        time, speed = readings.time[told], readings.speed[told]
        if not time.size:
            return time
        last, angle = self._turned or (float(time[0]), 0.0)
        angles: FloatArray = angle + np.cumsum(6.0 * speed * np.diff(time, prepend=last))
        self._turned = float(time[-1]), float(angles[-1])
        return angles

    def _check_idle_speed(self, readings: ShaftReadings) -> None:
        """As for the travel, where no angle is known."""
        speed = float(np.nanmax(np.abs(readings.speed), initial=0.0))
        if speed > self.limits.idle_speed:
            raise LimitExceeded(
                f"the shaft turned at {speed:.0f} rpm although no motion was commanded "
                f"(limit {self.limits.idle_speed:g} rpm)"
            )

    @staticmethod
    def _check(name: str, values: FloatArray | None, limit: float, unit: str) -> None:
        if values is None or not values.size:
            return
        sizes = np.abs(values)
        worst = float(sizes.max())
        if worst <= limit:  # not so if any is NaN, which is rare
            return
        worst = float(np.nanmax(sizes)) if np.any(sizes >= 0.0) else 0.0
        if worst > limit:
            raise _beyond(name, worst, limit, unit)


_WHAT = {"rpm": "speed", "A": "current", "V": "dc-link-voltage", "degC": "temperature"}


def _beyond(name: str, worst: float, limit: float, unit: str) -> LimitExceeded:
    return LimitExceeded(
        f"{name} reached {worst:.4g} {unit}, above the abort limit of {limit:g} {unit}",
        _WHAT[unit],
    )
