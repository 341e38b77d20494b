"""Encoder counter with a sample memory, over SCPI.

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
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.instruments import ShaftReadings
from hil.ports.registry import Descriptor

#: Fetches in one read: a memory that fills faster than it can be read is a fault.
MOST_FETCHES = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class TachometerConfig:
    """A tachometer. `interval`: s between samples, checked on opening; `batch`: samples a fetch."""

    scpi: ScpiConfig
    senses_direction: bool = True
    interval: float = 0.001
    batch: int = 2000


class ScpiTachometer(ScpiInstrument):
    """See `hil.ports.instruments.Tachometer`."""

    def __init__(self, session: ScpiSession, config: TachometerConfig, clock: Clock) -> None:
        super().__init__(session)
        self._config, self._clock = config, clock
        self._zero: float | None = None
        self._half_round_trip = 0.0

    @classmethod
    def open(cls, config: TachometerConfig, clock: Clock, manager: Any) -> ScpiTachometer:
        """Connect and check the sampling interval."""
        tachometer = cls(ScpiSession.open(manager, config.scpi, clock), config, clock)
        try:
            tachometer._check_interval()
        except BaseException:
            tachometer.close()
            raise
        return tachometer

    def _check_interval(self) -> None:
        found, expected = self._session.query_number("SWE:TINT?"), self._config.interval
        if abs(found - expected) > 1e-3 * expected:
            raise InstrumentError(
                f"{self._session.name}: samples every {found:g} s, expected {expected:g} s"
            )

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
        self._session.checked_write("INIT")
        after = self._clock.now()
        self._zero = (before + after) / 2.0
        self._half_round_trip = (after - before) / 2.0

    def read(self) -> ShaftReadings:
        """Samples since the last call; never blocks for new ones.

        Raises
        ------
        InstrumentError
            Before `begin`, or if an answer is not made of triples of time, position and speed.
        """
        if self._zero is None:
            raise InstrumentError(f"{self._session.name}: read before begin")
        parts: list[FloatArray] = []
        for _ in range(MOST_FETCHES):
            triples = self._fetch()
            parts.append(triples)
            if len(triples) < self._config.batch:
                break
        else:
            raise InstrumentError(f"{self._session.name}: memory does not empty")
        samples = np.ascontiguousarray((parts[0] if len(parts) == 1 else np.concatenate(parts)).T)
        return ShaftReadings(samples[0] + self._zero, samples[1], samples[2])

    def _fetch(self) -> FloatArray:
        """One fetch, shape (n, 3)."""
        numbers = self._session.query_numbers("FETC:ARR?")
        if numbers.size == 1 and np.isnan(numbers[0]):
            return np.empty((0, 3))
        if numbers.size % 3:
            raise InstrumentError(
                f"{self._session.name}: 'FETC:ARR?' answered {numbers.size} numbers, "
                "expected triples of time, position and speed"
            )
        triples = numbers.reshape(-1, 3)
        if not bool(np.isfinite(triples[:, 0]).all()):
            raise InstrumentError(f"{self._session.name}: 'FETC:ARR?': a sample has no time")
        return triples


DESCRIPTOR = Descriptor(
    name="scpi",
    port="tachometer",
    driver=ScpiTachometer,
    config=TachometerConfig,
    open=ScpiTachometer.open,
    probe=needs_visa,
    capabilities=frozenset({"position", "speed", "sample-memory"}),
)
