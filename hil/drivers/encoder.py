"""Encoder counter that answers with the angle of the shaft, as its description says.

config = EncoderConfig(scpi=ScpiConfig(resource=..., role="encoder"))
encoder = ScpiEncoder.open(config, clock, manager)      # implements ...instruments.Encoder
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from hil.drivers.number import Numbers, open_described
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.instruments import Reading
from hil.ports.reading_commands import ENCODER, EncoderCommands
from hil.ports.registry import Descriptor


@dataclass(frozen=True, slots=True, kw_only=True)
class EncoderConfig:
    """An encoder, and how it is asked."""

    scpi: ScpiConfig
    commands: EncoderCommands = ENCODER


class ScpiEncoder(ScpiInstrument):
    """See `hil.ports.instruments.Encoder`."""

    def __init__(self, session: ScpiSession, config: EncoderConfig, clock: Clock) -> None:
        super().__init__(session)
        self._position = Numbers(session, config.commands.position, clock)

    @classmethod
    def open(cls, config: EncoderConfig, clock: Clock, manager: Any) -> ScpiEncoder:
        """Connect and set up."""
        return cls(open_described(config.scpi, config.commands, clock, manager), config, clock)

    def position(self) -> Reading:
        """Angle of the shaft in deg, clockwise positive, unwrapped."""
        return self._position.read()


DESCRIPTOR = Descriptor(
    name="scpi",
    port="encoder",
    driver=ScpiEncoder,
    config=EncoderConfig,
    open=ScpiEncoder.open,
    probe=needs_visa,
    capabilities=frozenset({"position"}),
)
