"""Brake fed by a source: its torque follows the current, or a voltage, of a described supply.

config = CurrentBrakeConfig(scpi=ScpiConfig(resource=..., role="brake"), max_torque=1.0,
                            torque_constant=0.5, compliance_voltage=24.0)
brake = CurrentBrake.open(config, clock, manager)   # implements hil.ports.instruments.Brake

`CurrentBrake`: a hysteresis or powder brake on an output of a supply, torque constant in N m/A.
`VoltageBrake`: an amplifier of the brake that takes a voltage, N m at full scale.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Self

from hil.core.errors import InstrumentError
from hil.core.record import Identity
from hil.drivers.scpi import ScpiConfig, needs_visa
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.ports.clock import Clock
from hil.ports.registry import Descriptor
from hil.ports.supply_commands import SCPI_1999, SupplyCommands


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceBrakeConfig:
    """A brake of at most `max_torque` N m, and the supply that feeds it."""

    scpi: ScpiConfig
    max_torque: float
    commands: SupplyCommands = SCPI_1999


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentBrakeConfig(SourceBrakeConfig):
    """Torque by current.

    Parameters
    ----------
    torque_constant : N m/A.
    compliance_voltage : V that the output may reach to drive the current through the coil.
    """

    torque_constant: float
    compliance_voltage: float


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageBrakeConfig(SourceBrakeConfig):
    """Torque by voltage: `max_torque` N m at `full_scale_voltage` V, at most `source_current` A."""

    full_scale_voltage: float
    source_current: float = 0.02


class _SourceBrake:
    """What both have in common: an output that is on while there is torque, and else off."""

    def __init__(self, source: ScpiSupply, config: SourceBrakeConfig) -> None:
        self._source, self._config = source, config
        self._name = f"{config.scpi.role} at {config.scpi.resource}"
        self._max_torque = config.max_torque

    @classmethod
    def open(cls, config: Any, clock: Clock, manager: Any) -> Self:
        """Connect, output off, no torque, then what else the coil or the input may be given."""
        told = SupplyConfig(scpi=config.scpi, commands=config.commands)
        source = ScpiSupply.open(told, clock, manager)
        try:
            brake = cls(source, config)
            brake._drive(0.0)
            brake._limit()
        except BaseException:
            source.close()
            raise
        return brake

    def identify(self) -> Identity:
        """Answer to ``*IDN?``, split."""
        return self._source.identify()

    @property
    def errors_at_open(self) -> tuple[str, ...]:
        """See `hil.ports.instruments.KeptErrors`."""
        return self._source.errors_at_open

    def apply(self, torque: float) -> None:
        """Braking torque in N m, opposing motion; enough of it holds the shaft.

        Raises
        ------
        InstrumentError
            For a torque out of range, or a source that does not do what it is told. Then the
            output was switched off, as far as that can be done.
        """
        if not 0.0 <= torque <= self._max_torque:
            raise InstrumentError(
                f"{self._name}: torque {torque:g} N*m asked for, "
                f"it can do 0 to {self._max_torque:g} N*m"
            )
        if torque == 0.0:
            self.release()
            return
        try:
            self._drive(torque)
            if not self._source.is_on():
                self._source.switch_on()
        except InstrumentError:
            with suppress(InstrumentError):
                self._source.switch_off()
            raise

    def _drive(self, torque: float) -> None:
        """Set what makes the torque."""
        raise NotImplementedError

    def _limit(self) -> None:
        """Set what bounds the other quantity of the output."""
        raise NotImplementedError

    def release(self) -> None:
        """Output off, verified. Safe to call at any time; repeated once after a failure."""
        self._source.switch_off()

    def close(self) -> None:
        """Release the session; a second call does nothing."""
        self._source.close()


class CurrentBrake(_SourceBrake):
    """See `hil.ports.instruments.Brake`; the current limit of the output sets the torque."""

    _config: CurrentBrakeConfig

    def _drive(self, torque: float) -> None:
        self._source.set_current_limit(torque / self._config.torque_constant)

    def _limit(self) -> None:
        """The voltage that the output may reach."""
        self._source.set_voltage(self._config.compliance_voltage)


class VoltageBrake(_SourceBrake):
    """See `hil.ports.instruments.Brake`; the voltage of the output sets the torque."""

    _config: VoltageBrakeConfig

    def _drive(self, torque: float) -> None:
        config = self._config
        self._source.set_voltage(torque * config.full_scale_voltage / config.max_torque)

    def _limit(self) -> None:
        """The current that the input may draw."""
        self._source.set_current_limit(self._config.source_current)


def _offered(name: str, driver: type[_SourceBrake], config: type[SourceBrakeConfig]) -> Descriptor:
    return Descriptor(
        name=name,
        port="brake",
        driver=driver,
        config=config,
        open=driver.open,
        probe=needs_visa,
        capabilities=frozenset({"torque"}),
    )


BY_CURRENT = _offered("current", CurrentBrake, CurrentBrakeConfig)
BY_VOLTAGE = _offered("voltage", VoltageBrake, VoltageBrakeConfig)
