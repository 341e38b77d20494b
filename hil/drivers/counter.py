"""Tachometer or counter that is asked for speed, position or both, again and again.

config = CounterConfig(scpi=ScpiConfig(resource=..., role="tachometer"), interval=0.05)
counter = Counter.open(config, clock, manager)    # implements hil.ports.instruments.Tachometer

It has no memory of its own: there is a sample for each time it is asked, and nothing in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from hil.core.errors import InstrumentError
from hil.drivers.number import Numbers, open_described
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.instruments import ShaftReadings
from hil.ports.reading_commands import COUNTER, CounterCommands
from hil.ports.registry import Descriptor

NOTHING = ShaftReadings(np.empty(0), np.empty(0), np.empty(0))


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterConfig:
    """A counter. `interval`: it is asked this often at most, s."""

    scpi: ScpiConfig
    senses_direction: bool = True
    interval: float = 0.05
    commands: CounterCommands = COUNTER


class Counter(ScpiInstrument):
    """See `hil.ports.instruments.Tachometer`.

    Without a query for the speed it is the difference of two positions; without one for the
    position there is none (NaN). Without a sense of direction the speed is never negative.
    """

    def __init__(self, session: ScpiSession, config: CounterConfig, clock: Clock) -> None:
        super().__init__(session)
        self._config, self._clock = config, clock
        commands = config.commands
        self._speed = Numbers(session, commands.speed, clock) if commands.speed else None
        self._position = Numbers(session, commands.position, clock) if commands.position else None
        self._due: float | None = None
        self._half_round_trip = 0.0
        self._before: tuple[float, float] | None = None  # time s and position deg of the last

    @classmethod
    def open(cls, config: CounterConfig, clock: Clock, manager: Any) -> Counter:
        """Connect and set up."""
        return cls(open_described(config.scpi, config.commands, clock, manager), config, clock)

    @property
    def senses_direction(self) -> bool:
        """False for a one-channel pick-up: then no direction verdict can rest on it."""
        return self._config.senses_direction

    @property
    def time_uncertainty(self) -> float:
        """Standard uncertainty of the sample times, s, since `begin`.

        Half the longest round trip is the half-width of a rectangular distribution
        (JCGM 100:2008, 4.3.7).
        """
        return self._half_round_trip / math.sqrt(3.0)

    def begin(self) -> None:
        """Forget what was read; makes sure that the counter answers."""
        self._half_round_trip, self._before = 0.0, None
        self._sample()
        self._due = self._clock.now() + self._config.interval

    def read(self) -> ShaftReadings:
        """One sample if it is time for one; never waits for it to be time.

        Raises
        ------
        InstrumentError
            Before `begin`, or if there is no valid answer.
        """
        if self._due is None:
            raise InstrumentError(f"{self._session.name}: read before begin")
        now = self._clock.now()
        if now < self._due:
            return NOTHING
        # On its own beat, unless it could not keep up: what was missed is not caught up with.
        following = self._due + self._config.interval
        self._due = following if following > now else now + self._config.interval
        return self._sample()

    def _sample(self) -> ShaftReadings:
        before = self._clock.now()
        speed = position = math.nan
        if self._position is not None:
            position = self._position.read().value
        if self._speed is not None:
            speed = self._speed.read().value
        after = self._clock.now()
        time = 0.5 * (before + after)
        self._half_round_trip = max(self._half_round_trip, 0.5 * (after - before))
        if self._speed is None:
            speed = self._difference(time, position)
        if not self._config.senses_direction:
            speed = abs(speed)
        return ShaftReadings(np.array([time]), np.array([position]), np.array([speed]))

    def _difference(self, time: float, position: float) -> float:
        """Mean speed since the sample before, rpm; NaN for the first."""
        last, self._before = self._before, (time, position)
        if last is None or time <= last[0]:
            return math.nan
        return (position - last[1]) / (time - last[0]) / 6.0


DESCRIPTOR = Descriptor(
    name="counter",
    port="tachometer",
    driver=Counter,
    config=CounterConfig,
    open=Counter.open,
    probe=needs_visa,
    capabilities=frozenset({"position", "speed"}),
)
