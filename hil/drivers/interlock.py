"""Emergency-stop and guard contacts, read as digital inputs over SCPI.

config = InterlockConfig(scpi=ScpiConfig(resource=..., role="interlock"), contacts={"guard": 1})
interlock = ScpiInterlock.open(config, clock, manager)   # implements ...instruments.Interlock

This only reads what hard-wired safety functions have done; it is none itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.registry import Descriptor


@dataclass(frozen=True, slots=True, kw_only=True)
class InterlockConfig:
    """A digital input unit. `contacts`: name -> number of its input."""

    scpi: ScpiConfig
    contacts: Mapping[str, int]


class ScpiInterlock(ScpiInstrument):
    """See `hil.ports.instruments.Interlock`."""

    def __init__(self, session: ScpiSession, config: InterlockConfig) -> None:
        super().__init__(session)
        self._config = config

    @classmethod
    def open(cls, config: InterlockConfig, clock: Clock, manager: Any) -> ScpiInterlock:
        """Connect."""
        return cls(ScpiSession.open(manager, config.scpi, clock), config)

    def read(self) -> Mapping[str, bool]:
        """Name of each contact -> whether its circuit is closed."""
        session = self._session
        return {
            name: session.query_flag(f"SENS:DIG:DATA? (@{number})")
            for name, number in self._config.contacts.items()
        }


DESCRIPTOR = Descriptor(
    name="scpi",
    port="interlock",
    driver=ScpiInterlock,
    config=InterlockConfig,
    open=ScpiInterlock.open,
    probe=needs_visa,
)
