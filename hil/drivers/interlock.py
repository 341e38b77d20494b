"""Emergency-stop and guard contacts, read as digital inputs over SCPI.

config = InterlockConfig(scpi=ScpiConfig(resource=..., role="interlock"), contacts={"guard": 1})
interlock = ScpiInterlock.open(config, clock, manager)   # implements ...instruments.Interlock

This only reads what hard-wired safety functions have done; it is none itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hil.core.errors import InstrumentError
from hil.drivers.number import open_described
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.reading_commands import INTERLOCK, InterlockCommands
from hil.ports.registry import Descriptor


@dataclass(frozen=True, slots=True, kw_only=True)
class InterlockConfig:
    """A digital input unit. `contacts`: name -> number of its input."""

    scpi: ScpiConfig
    contacts: Mapping[str, int]
    commands: InterlockCommands = INTERLOCK


class ScpiInterlock(ScpiInstrument):
    """See `hil.ports.instruments.Interlock`."""

    def __init__(self, session: ScpiSession, config: InterlockConfig) -> None:
        super().__init__(session)
        self._config = config

    @classmethod
    def open(cls, config: InterlockConfig, clock: Clock, manager: Any) -> ScpiInterlock:
        """Connect. InstrumentError for a contact on an input that the unit does not have."""
        inputs = config.commands.inputs
        for name, number in config.contacts.items():
            if 0 < inputs < number:
                raise InstrumentError(
                    f"interlock at {config.scpi.resource}: contact {name!r} is on input {number}, "
                    f"there are {inputs}"
                )
        return cls(open_described(config.scpi, config.commands, clock, manager), config)

    def read(self) -> Mapping[str, bool]:
        """Name of each contact -> whether its circuit is closed."""
        session, commands, contacts = self._session, self._config.commands, self._config.contacts
        if commands.inputs:
            pattern = session.query_pattern(commands.query, commands.inputs)
            reads = {name: bool(pattern >> (number - 1) & 1) for name, number in contacts.items()}
        else:
            reads = {
                name: session.query_flag(commands.query.replace("{input}", str(number)))
                for name, number in contacts.items()
            }
        return {name: found is commands.closed_reads for name, found in reads.items()}


DESCRIPTOR = Descriptor(
    name="scpi",
    port="interlock",
    driver=ScpiInterlock,
    config=InterlockConfig,
    open=ScpiInterlock.open,
    probe=needs_visa,
)
