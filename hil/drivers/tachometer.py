"""Tachometer or encoder counter with a sample memory, over SCPI, as its description says.

config = TachometerConfig(scpi=ScpiConfig(resource=..., role="tachometer"))
tachometer = ScpiTachometer.open(config, clock, manager)   # implements ...instruments.Tachometer
tachometer.begin(); tachometer.time_uncertainty            # s, half the round trip of begin
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from hil.core.errors import InstrumentError
from hil.core.trace import FloatArray
from hil.drivers.number import open_described
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.instruments import ShaftReadings
from hil.ports.reading_commands import MEMORY, Conversion, MemoryCommands
from hil.ports.registry import Descriptor

#: Fetches in one read: a memory that fills faster than it can be read is a fault.
MOST_FETCHES = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class TachometerConfig:
    """A tachometer. `interval`: s between samples, checked on opening."""

    scpi: ScpiConfig
    senses_direction: bool = True
    interval: float = 0.001
    commands: MemoryCommands = MEMORY


class ScpiTachometer(ScpiInstrument):
    """See `hil.ports.instruments.Tachometer`."""

    def __init__(self, session: ScpiSession, config: TachometerConfig, clock: Clock) -> None:
        super().__init__(session)
        self._config, self._clock, self._commands = config, clock, config.commands
        self._columns = config.commands.columns
        self._last = math.nan  # position of the last sample, deg, as it was answered
        self._turned = 0.0  # deg of the ranges that the position has gone through
        self._zero: float | None = None
        self._half_round_trip = 0.0

    @classmethod
    def open(cls, config: TachometerConfig, clock: Clock, manager: Any) -> ScpiTachometer:
        """Connect and check the sampling interval."""
        tachometer = cls(
            open_described(config.scpi, config.commands, clock, manager), config, clock
        )
        try:
            tachometer._check_interval()
            tachometer._prefer_binary()
        except BaseException:
            tachometer.close()
            raise
        return tachometer

    def _check_interval(self) -> None:
        asked, expected = self._commands.interval, self._config.interval
        if asked is None:
            return
        found = asked.value(self._session.query_number(asked.query))
        if abs(found - expected) > 1e-3 * expected:
            raise InstrumentError(
                f"{self._session.name}: samples every {found:g} s, expected {expected:g} s"
            )

    def _prefer_binary(self) -> None:
        """Ask for numbers instead of text; an instrument that refuses goes on with text."""
        if self._commands.binary and self._commands.error_query:
            self._session.write(self._commands.binary)
            self._session.drain_errors()

    @property
    def senses_direction(self) -> bool:
        """False for a one-channel pick-up: then no direction verdict can rest on it."""
        return self._config.senses_direction

    @property
    def interval(self) -> float:
        """Time between samples, s."""
        return self._config.interval

    @property
    def time_uncertainty(self) -> float:
        """Standard uncertainty of the sample times on the host's scale, s, since `begin`.

        Half the round trip of `begin` is the half-width of a rectangular distribution
        (JCGM 100:2008, 4.3.7).
        """
        return self._half_round_trip / math.sqrt(3.0)

    def begin(self) -> None:
        """Empty the sample memory and restart its time base.

        Time zero is the middle of the round trip: it lies somewhere within it.
        """
        before = self._clock.now()
        self._session.checked_write(self._commands.begin)
        after = self._clock.now()
        self._zero = (before + after) / 2.0
        self._half_round_trip = (after - before) / 2.0

    def read(self) -> ShaftReadings:
        """Samples since the last call; never blocks for new ones.

        Raises
        ------
        InstrumentError
            Before `begin`, or if an answer is not made of whole samples.
        """
        if self._zero is None:
            raise InstrumentError(f"{self._session.name}: read before begin")
        parts: list[FloatArray] = []
        for _ in range(MOST_FETCHES):
            rows = self._fetch()
            parts.append(rows)
            if len(rows) < self._commands.batch:
                break
        else:
            raise InstrumentError(f"{self._session.name}: memory does not empty")
        samples = np.ascontiguousarray((parts[0] if len(parts) == 1 else np.concatenate(parts)).T)
        time = self._column(samples, "time", self._commands.time)
        position = self._column(samples, "position", self._commands.position)
        speed = self._column(samples, "speed", self._commands.speed)
        return ShaftReadings(time + self._zero, self._unwrapped(position), speed)

    def _fetch(self) -> FloatArray:
        """One fetch, shape (n, columns)."""
        commands, width = self._commands, len(self._columns)
        numbers = self._session.query_numbers(commands.fetch, nothing=commands.empty)
        if not numbers.size or (numbers.size == 1 and np.isnan(numbers[0])):
            return np.empty((0, width))
        if numbers.size % width:
            raise InstrumentError(
                f"{self._session.name}: {commands.fetch!r} answered {numbers.size} numbers, "
                f"expected {width} for each sample: {', '.join(self._columns)}"
            )
        rows = numbers.reshape(-1, width)
        if not bool(np.isfinite(rows[:, self._columns.index("time")]).all()):
            raise InstrumentError(f"{self._session.name}: {commands.fetch!r}: a sample has no time")
        return rows

    def _column(self, samples: FloatArray, name: str, meaning: Conversion) -> FloatArray:
        """One quantity in its canonical unit, NaN where the samples do not have it."""
        if name not in self._columns:
            return np.full(samples.shape[1], np.nan)
        column: FloatArray = samples[self._columns.index(name)]
        if (meaning.gain, meaning.zero) == (1.0, 0.0):
            return column
        return column * meaning.gain + meaning.zero

    def _unwrapped(self, position: FloatArray) -> FloatArray:
        """Positions across the end of the counter's range, the shorter way from one to the next."""
        span = self._commands.position.wraps_at
        if span <= 0.0:
            return position
        told = np.isfinite(position)
        if not told.any():
            return position
        known = position[told]
        first = known[0] if math.isnan(self._last) else self._last
        turns = np.cumsum(np.round(np.diff(known, prepend=first) / span))
        out = position.copy()
        out[told] = known + (self._turned - turns * span)
        self._last, self._turned = float(known[-1]), float(self._turned - turns[-1] * span)
        return out


DESCRIPTOR = Descriptor(
    name="scpi",
    port="tachometer",
    driver=ScpiTachometer,
    config=TachometerConfig,
    open=ScpiTachometer.open,
    probe=needs_visa,
    capabilities=frozenset({"position", "speed", "sample-memory"}),
)
