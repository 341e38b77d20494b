"""Brake on the shaft over SCPI, set directly in N m.

config = BrakeConfig(scpi=ScpiConfig(resource=..., role="brake"), max_torque=1.0)
brake = ScpiBrake.open(config, clock, manager)      # implements hil.ports.instruments.Brake
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from hil.core.errors import InstrumentError
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.drivers.scpi_numbers import format_number
from hil.ports.clock import Clock
from hil.ports.registry import Descriptor


@dataclass(frozen=True, slots=True, kw_only=True)
class BrakeConfig:
    """A brake. `max_torque` in N m; `torque_step`: how far a set point may read back off, N m."""

    scpi: ScpiConfig
    max_torque: float
    torque_step: float = 0.001


class ScpiBrake(ScpiInstrument):
    """See `hil.ports.instruments.Brake`."""

    def __init__(self, session: ScpiSession, config: BrakeConfig) -> None:
        super().__init__(session)
        self._config = config

    @classmethod
    def open(cls, config: BrakeConfig, clock: Clock, manager: Any) -> ScpiBrake:
        """Connect and release the shaft."""
        brake = cls(ScpiSession.open(manager, config.scpi, clock), config)
        try:
            brake.release()
        except BaseException:
            brake.close()
            raise
        return brake

    def apply(self, torque: float) -> None:
        """Braking torque in N m, opposing motion; enough of it holds the shaft."""
        if not 0.0 <= torque <= self._config.max_torque:
            raise InstrumentError(
                f"{self._session.name}: torque {torque:g} N*m asked for, "
                f"it can do 0 to {self._config.max_torque:g} N*m"
            )
        self._session.checked_write(f"TORQ {format_number(torque)}")
        self._verify(torque)

    def release(self) -> None:
        """No braking torque, verified. Safe to call at any time; repeated once after a failure."""
        try:
            self._release_once()
        except InstrumentError:
            self._release_once()

    def _release_once(self) -> None:
        self._session.write("TORQ 0")
        self._verify(0.0)

    def _verify(self, torque: float) -> None:
        found = self._session.query_number("TORQ?")
        if abs(found - torque) > self._config.torque_step + 1e-12:
            raise InstrumentError(
                f"{self._session.name}: torque set to {torque:g} N*m reads back {found:g} N*m"
            )


DESCRIPTOR = Descriptor(
    name="scpi",
    port="brake",
    driver=ScpiBrake,
    config=BrakeConfig,
    open=ScpiBrake.open,
    probe=needs_visa,
    capabilities=frozenset({"torque"}),
)
