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
from typing import Any

from hil.core.errors import InstrumentError
from hil.core.record import Identity
from hil.drivers.scpi import ScpiConfig, needs_visa
from hil.drivers.supply import ScpiSupply, SupplyConfig
from hil.ports.clock import Clock
from hil.ports.registry import Descriptor
from hil.ports.supply_commands import SCPI_1999, SupplyCommands


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentBrakeConfig:
    """Torque by current.

    Parameters
    ----------
    max_torque : N m. torque_constant : N m/A.
    compliance_voltage : V that the output may reach to drive the current through the coil.
    """

    scpi: ScpiConfig
    max_torque: float
    torque_constant: float
    compliance_voltage: float
    commands: SupplyCommands = SCPI_1999


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltageBrakeConfig:
    """Torque by voltage: `max_torque` N m at `full_scale_voltage` V, at most `source_current` A."""

    scpi: ScpiConfig
    max_torque: float
    full_scale_voltage: float
    source_current: float = 0.02
    commands: SupplyCommands = SCPI_1999


class _SourceBrake:
    """What both have in common: an output that is on while there is torque, and else off."""

    def __init__(self, source: ScpiSupply, name: str, max_torque: float) -> None:
        self._source, self._name, self._max_torque = source, name, max_torque

    def identify(self) -> Identity:
        """Answer to ``*IDN?``, split."""
        return self._source.identify()

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
        raise NotImplementedError

    def release(self) -> None:
        """Output off, verified. Safe to call at any time; repeated once after a failure."""
        self._source.switch_off()

    def close(self) -> None:
        """Release the session; a second call does nothing."""
        self._source.close()


class CurrentBrake(_SourceBrake):
    """See `hil.ports.instruments.Brake`; the current limit of the output sets the torque."""

    def __init__(self, source: ScpiSupply, config: CurrentBrakeConfig) -> None:
        super().__init__(source, _name(config.scpi), config.max_torque)
        self._constant = config.torque_constant

    @classmethod
    def open(cls, config: CurrentBrakeConfig, clock: Clock, manager: Any) -> CurrentBrake:
        """Connect, output off, no current, then the voltage that the output may reach."""
        source = _open(config.scpi, config.commands, clock, manager)
        try:
            source.set_current_limit(0.0)
            source.set_voltage(config.compliance_voltage)
        except BaseException:
            source.close()
            raise
        return cls(source, config)

    def _drive(self, torque: float) -> None:
        self._source.set_current_limit(torque / self._constant)


class VoltageBrake(_SourceBrake):
    """See `hil.ports.instruments.Brake`; the voltage of the output sets the torque."""

    def __init__(self, source: ScpiSupply, config: VoltageBrakeConfig) -> None:
        super().__init__(source, _name(config.scpi), config.max_torque)
        self._volt_per_torque = config.full_scale_voltage / config.max_torque

    @classmethod
    def open(cls, config: VoltageBrakeConfig, clock: Clock, manager: Any) -> VoltageBrake:
        """Connect, output off, no voltage, then the current that the input may draw."""
        source = _open(config.scpi, config.commands, clock, manager)
        try:
            source.set_voltage(0.0)
            source.set_current_limit(config.source_current)
        except BaseException:
            source.close()
            raise
        return cls(source, config)

    def _drive(self, torque: float) -> None:
        self._source.set_voltage(torque * self._volt_per_torque)


def _open(scpi: ScpiConfig, commands: SupplyCommands, clock: Clock, manager: Any) -> ScpiSupply:
    return ScpiSupply.open(SupplyConfig(scpi=scpi, commands=commands), clock, manager)


def _name(scpi: ScpiConfig) -> str:
    return f"{scpi.role} at {scpi.resource}"


BY_CURRENT = Descriptor(
    name="current",
    port="brake",
    driver=CurrentBrake,
    config=CurrentBrakeConfig,
    open=CurrentBrake.open,
    probe=needs_visa,
    capabilities=frozenset({"torque"}),
)
BY_VOLTAGE = Descriptor(
    name="voltage",
    port="brake",
    driver=VoltageBrake,
    config=VoltageBrakeConfig,
    open=VoltageBrake.open,
    probe=needs_visa,
    capabilities=frozenset({"torque"}),
)
