"""Relays in the board's signal lines over SCPI.

config = SwitchConfig(scpi=ScpiConfig(resource=..., role="switch"))
switch = ScpiSwitch.open(config, clock, manager)    # implements ...instruments.SignalSwitch
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

from hil.core.errors import InstrumentError
from hil.core.ladder import Rung, line_of
from hil.drivers.number import open_described
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.clock import Clock
from hil.ports.reading_commands import SWITCH, SwitchCommands
from hil.ports.registry import Descriptor

#: Line -> channel of the relay, as the demo rig is wired.
CHANNELS: Mapping[str, int] = MappingProxyType(
    {
        "hall-a": 1,
        "hall-b": 2,
        "hall-c": 3,
        "phase-a": 4,
        "phase-b": 5,
        "phase-c": 6,
        "temperature-sensor": 7,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchConfig:
    """A relay box. `channels`: line -> number of its relay, where it is not as in `CHANNELS`.

    `lines`: those that it has; empty for those of `channels`, or of `CHANNELS`. `ladder`: rungs
    that it can put in the place of the temperature sensor, on the relays after `CHANNELS`.
    """

    scpi: ScpiConfig
    channels: Mapping[str, int] = field(default_factory=dict)
    lines: tuple[str, ...] = ()
    ladder: tuple[Rung, ...] = ()
    commands: SwitchCommands = SWITCH

    @property
    def relays(self) -> Mapping[str, int]:
        """Line -> number of its relay."""
        rungs = [line_of(rung) for rung in self.ladder]
        known = {**CHANNELS, **{line: len(CHANNELS) + n for n, line in enumerate(rungs, start=1)}}
        known |= self.channels
        lines = self.lines or (() if rungs else self.channels or CHANNELS)
        return {line: known[line] for line in (*lines, *rungs)}


class ScpiSwitch(ScpiInstrument):
    """See `hil.ports.instruments.SignalSwitch`."""

    def __init__(self, session: ScpiSession, config: SwitchConfig) -> None:
        super().__init__(session)
        self._config = config

    @classmethod
    def open(cls, config: SwitchConfig, clock: Clock, manager: Any) -> ScpiSwitch:
        """Connect; the relays are left as they are."""
        return cls(open_described(config.scpi, config.commands, clock, manager), config)

    @property
    def pulses(self) -> bool:
        """Whether it has a command for a short break."""
        return bool(self._config.commands.pulse)

    def pulse(self, line: str, seconds: float) -> None:
        """Open one line for so long; InstrumentError for one it does not have."""
        commands = self._config.commands
        text = commands.message(commands.pulse, self._relay(line))
        self._session.checked_write(text.replace("{time}", f"{seconds:g}"))

    def _relay(self, line: str) -> int:
        relays = self._config.relays
        if line not in relays:
            known = ", ".join(relays)
            raise InstrumentError(f"{self._session.name}: no line {line!r}, it has {known}")
        return relays[line]

    def set(self, line: str, closed: bool) -> None:
        """Open or close one line, verified; InstrumentError for a line it does not have."""
        commands, channel = self._config.commands, self._relay(line)
        text = commands.close if closed else commands.open
        self._session.checked_write(commands.message(text, channel))
        if not commands.query:
            return
        if self._session.query_flag(commands.message(commands.query, channel)) is not closed:
            asked, found = ("closed", "open") if closed else ("open", "closed")
            raise InstrumentError(
                f"{self._session.name}: line {line} (relay {channel}) set {asked} "
                f"reads back {found}"
            )

    def restore(self) -> None:
        """Close every line, verified; all are tried before the first error is raised."""
        if self._restored_at_once():
            return
        failed: InstrumentError | None = None
        for line in self._config.relays:
            try:
                self.set(line, True)
            except InstrumentError as error:
                failed = failed or error
        if failed is not None:
            raise failed

    def _restored_at_once(self) -> bool:
        """Close all relays with one message; False if that cannot be shown to have worked."""
        if replace(self._config.commands, pulse="") != SWITCH:
            return False  # whether it takes lists nobody has said
        channels = self._config.relays.values()
        every = ",".join(str(channel) for channel in channels)
        try:
            self._session.checked_write(f"ROUT:CLOS (@{every})")
            found = self._session.query_numbers(f"ROUT:CLOS? (@{every})")
            # An instrument that takes no lists may answer for the first relay alone.
            return found.size == len(channels) and bool((found == 1.0).all())
        except InstrumentError:
            return False  # one by one, so that the others are closed and the message names the line


DESCRIPTOR = Descriptor(
    name="scpi",
    port="switch",
    driver=ScpiSwitch,
    config=SwitchConfig,
    open=ScpiSwitch.open,
    probe=needs_visa,
)
