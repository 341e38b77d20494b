"""Brake on the shaft over SCPI, told its torque, or a number that stands for it.

config = BrakeConfig(scpi=ScpiConfig(resource=..., role="brake"), max_torque=1.0)
brake = ScpiBrake.open(config, clock, manager)      # implements hil.ports.instruments.Brake
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from hil.core.errors import InstrumentError
from hil.drivers.number import open_described
from hil.drivers.scpi import ScpiConfig, ScpiSession, needs_visa
from hil.drivers.scpi_instrument import ScpiInstrument
from hil.ports.brake_commands import BRAKE, BrakeCommands
from hil.ports.clock import Clock
from hil.ports.registry import Descriptor


@dataclass(frozen=True, slots=True, kw_only=True)
class BrakeConfig:
    """A brake of at most `max_torque` N m."""

    scpi: ScpiConfig
    max_torque: float
    commands: BrakeCommands = BRAKE


class ScpiBrake(ScpiInstrument):
    """See `hil.ports.instruments.Brake`."""

    def __init__(self, session: ScpiSession, config: BrakeConfig) -> None:
        super().__init__(session)
        self._config, self._commands = config, config.commands

    @classmethod
    def open(cls, config: BrakeConfig, clock: Clock, manager: Any) -> ScpiBrake:
        """Connect and release the shaft."""
        brake = cls(open_described(config.scpi, config.commands, clock, manager), config)
        try:
            brake.release()
        except BaseException:
            brake.close()
            raise
        return brake

    @property
    def lacks(self) -> tuple[str, ...]:
        """What it cannot do, in words."""
        return self._commands.lacks

    def apply(self, torque: float) -> None:
        """Braking torque in N m, opposing motion; enough of it holds the shaft."""
        if not 0.0 <= torque <= self._config.max_torque:
            raise InstrumentError(
                f"{self._session.name}: torque {torque:g} N*m asked for, "
                f"it can do 0 to {self._config.max_torque:g} N*m"
            )
        self._session.checked_write(self._commands.message(torque))
        self._verify(torque)
        if self._commands.enable:
            self._session.checked_write(self._commands.enable)

    def release(self) -> None:
        """No braking torque, verified. Safe to call at any time; repeated once after a failure."""
        try:
            self._release_once()
        except InstrumentError:
            self._release_once()

    def _release_once(self) -> None:
        # no error queue here: an old error in it must not stand in the way of letting go
        if self._commands.disable:
            self._session.write(self._commands.disable)
        self._session.write(self._commands.message(0.0))
        self._verify(0.0)

    def _verify(self, torque: float) -> None:
        commands = self._commands
        if not commands.query:
            self._session.drain_errors()  # an answer, at least, where there is a queue
            return
        found = self._session.query_number(commands.query) * commands.gain
        if abs(found - torque) > commands.step + 1e-12:
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
