"""The instruments of a rig file: where each is, what it can do, and how well it measures."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag

from hil.core.ladder import line_of
from hil.plan.accuracy import (
    CurrentAccuracy,
    PositionAccuracy,
    SpeedAccuracy,
    TemperatureAccuracy,
    VoltageAccuracy,
)
from hil.plan.braking import BrakeTexts
from hil.plan.inputs import InterlockTexts
from hil.plan.ladder import RungText
from hil.plan.memory import MemoryTexts
from hil.plan.model import Count, Model, Number, Switch, Text
from hil.plan.readings import CounterTexts, EncoderTexts, SwitchTexts, ThermometerTexts
from hil.plan.supply import SupplyTexts
from hil.plan.units import (
    BackEmf,
    Current,
    Ratio,
    Temperature,
    TemperatureLimit,
    Time,
    Torque,
    Voltage,
)


class Instrument(Model):
    """A VISA instrument."""

    driver: Text = "scpi"
    resource: Text
    timeout: Time = 1.0  # for one answer; an instrument that hangs must not delay switching off
    expect: str = ""  # text that *IDN? must contain
    calibration_due: date | None = None


def _driver_of(data: Any) -> str:
    """Name of the driver of an instrument, read or not yet."""
    if isinstance(data, dict):
        return str(data.get("driver", "scpi"))
    return str(getattr(data, "driver", "scpi"))


class SupplyInstrument(Instrument):
    """The bench supply and its limits.

    `guard`: how the guard process reaches the supply, see `hil.bench.guard.GuardSettings`.
    """

    guard: Literal["own-session", "takeover"] = "own-session"
    commands: SupplyTexts | None = None  # None: as SCPI-1999 has them
    voltage: Voltage
    current_limit: Current
    over_voltage_limit: Voltage
    max_voltage: Voltage  # no plan may ask for more
    settle_within: Ratio | None = None  # None: as its description, or the default, has it
    settle_time: Time | None = None
    voltage_accuracy: VoltageAccuracy = VoltageAccuracy()
    current_accuracy: CurrentAccuracy = CurrentAccuracy()


class TachometerInstrument(Instrument):
    """Tachometer or encoder counter on the shaft.

    `driver` scpi: it has a memory of samples, `interval` apart; counter: it is asked every
    `interval`, as `commands` say.
    """

    commands: CounterTexts | MemoryTexts | None = None
    senses_direction: Switch = True
    interval: Time = 0.001
    speed_gate: Time = 0.0  # over which one speed is counted; its stamp is at the end of it
    speed_accuracy: SpeedAccuracy = SpeedAccuracy()
    position_accuracy: PositionAccuracy = PositionAccuracy()


class MemoryTachometer(TachometerInstrument):
    """One with a memory of samples."""

    commands: MemoryTexts | None = None


class AskedTachometer(TachometerInstrument):
    """One that is asked again and again, and any other that a package brings."""

    commands: CounterTexts | None = None
    interval: Time = 0.05


def _kind_of_tachometer(data: Any) -> str:
    return "memory" if _driver_of(data) == "scpi" else "asked"


Tachometer = Annotated[
    Annotated[MemoryTachometer, Tag("memory")] | Annotated[AskedTachometer, Tag("asked")],
    Discriminator(_kind_of_tachometer),
]


class EncoderInstrument(Instrument):
    """Encoder that answers with the angle of the shaft."""

    commands: EncoderTexts | None = None
    interval: Annotated[Time, Field(gt=0.0)] = 0.05  # it is asked so often
    position_accuracy: PositionAccuracy = PositionAccuracy()


class ThermometerInstrument(Instrument):
    """Thermometer at the power stage; above `cool_below` no item begins."""

    commands: ThermometerTexts | None = None
    interval: Annotated[Time, Field(gt=0.0)] = 0.5
    temperature_accuracy: TemperatureAccuracy = TemperatureAccuracy()
    cool_below: Temperature | None = None
    cool_within: Annotated[Time, Field(gt=0.0)] = 1200.0


#: Driver of a brake that is fed by a source -> keys that it needs.
SOURCE_BRAKES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"current": ("torque-constant", "compliance-voltage"), "voltage": ("full-scale-voltage",)}
)


class BrakeInstrument(Instrument):
    """Brake on the shaft.

    `driver` scpi: an instrument that takes a torque, described by `commands`; current: a coil on an
    output of a supply, with `torque_constant` and `compliance_voltage`; voltage: an amplifier that
    makes `max_torque` of `full_scale_voltage`. The source of the latter two is described as a
    supply is.
    """

    max_torque: Torque
    delay: Time = 0.0  # longest from command to torque: the marks of the brake are so uncertain
    torque_constant: BackEmf | None = None  # N*m/A
    compliance_voltage: Voltage | None = None
    full_scale_voltage: Voltage | None = None
    source_current: Current = 0.02  # that the amplifier's input may draw
    commands: BrakeTexts | SupplyTexts | None = None


class TorqueBrake(BrakeInstrument):
    """One that takes a torque."""

    commands: BrakeTexts | None = None


class SourceBrake(BrakeInstrument):
    """One that is fed by a source, and any other that a package brings."""

    commands: SupplyTexts | None = None


class AttendedBrake(BrakeInstrument):
    """A person with a tool, in place of a brake.

    Other keys of a brake may stand beside, and mean nothing: the rig may be based on one that has
    a brake.
    """

    driver: Literal["attended"]
    resource: Text = "attended"
    max_torque: Torque = 0.0
    answer_within: Annotated[Time, Field(gt=0.0)] = 60.0


def _kind_of_brake(data: Any) -> str:
    driver = _driver_of(data)
    return {"attended": "attended", "scpi": "torque"}.get(driver, "source")


Brake = Annotated[
    Annotated[TorqueBrake, Tag("torque")]
    | Annotated[SourceBrake, Tag("source")]
    | Annotated[AttendedBrake, Tag("attended")],
    Discriminator(_kind_of_brake),
]


class SwitchInstrument(Instrument):
    """Relays in the signal lines.

    `channels`: line -> number of its relay, where they are not wired 1, 2, ... in the order of
    `hil.plan.checks.LINES`, and after these in that of the ladder. `ladder`: what its rungs stand
    for, see `hil.core.ladder`; `ladder_accuracy`: within what a resistor does so, K. `shortest`:
    break that it can make, s.
    """

    lines: tuple[Text, ...] = ()
    ladder: tuple[RungText, ...] = ()
    ladder_accuracy: TemperatureLimit = 1.0  # common practice, no source
    shortest: Annotated[Time, Field(gt=0.0)] = 0.05  # opened and closed by two commands
    channels: dict[Text, Number] = Field(default_factory=dict)
    commands: SwitchTexts | None = None

    @property
    def rungs(self) -> tuple[str, ...]:
        """Lines of the ladder."""
        return tuple(map(line_of, self.ladder))

    @property
    def every_line(self) -> tuple[str, ...]:
        """All that it can open, those of the ladder last."""
        return (*self.lines, *self.rungs)


class InterlockInstrument(Instrument):
    """Digital inputs for emergency-stop and guard contacts; a closed circuit is safe."""

    contacts: Annotated[dict[Text, Count], Field(min_length=1)]  # name -> number of the input
    commands: InterlockTexts | None = None
