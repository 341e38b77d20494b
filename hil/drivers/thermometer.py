"""Thermometer at the power stage or the motor, as its description says.

config = ThermometerConfig(scpi=ScpiConfig(resource=..., role="thermometer"))
thermometer = ScpiThermometer.open(config, clock, manager)   # implements ...Thermometer
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from hil.drivers.number import Numbers, open_described
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.instruments import Reading
from hil.ports.reading_commands import THERMOMETER, ThermometerCommands
from hil.ports.registry import Descriptor


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometerConfig:
    """A thermometer, and how it is asked."""

    scpi: ScpiConfig
    commands: ThermometerCommands = THERMOMETER


class ScpiThermometer(ScpiInstrument):
    """See `hil.ports.instruments.Thermometer`."""

    def __init__(self, session: ScpiSession, config: ThermometerConfig, clock: Clock) -> None:
        super().__init__(session)
        self._temperature = Numbers(session, config.commands.temperature, clock)

    @classmethod
    def open(cls, config: ThermometerConfig, clock: Clock, manager: Any) -> ScpiThermometer:
        """Connect and set up."""
        return cls(open_described(config.scpi, config.commands, clock, manager), config, clock)

    def temperature(self) -> Reading:
        """Temperature in degC; an open sensor, which reads 9.91E37, is an error."""
        return self._temperature.read()


DESCRIPTOR = Descriptor(
    name="scpi",
    port="thermometer",
    driver=ScpiThermometer,
    config=ThermometerConfig,
    open=ScpiThermometer.open,
    probe=needs_visa,
    capabilities=frozenset({"temperature"}),
)
