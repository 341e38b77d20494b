"""Descriptions of instruments that are read, and of signal switches; see `hil.plan.described`.

    commands:
      setup: ["FUNC FREQ"]                          # sent once, on opening
      speed: {query: "READ?", scale: 30, unit: rpm}   # a pulse every half turn, answer in Hz
      position: {query: "COUN?", scale: 0.0879, unit: deg, sign: negative, wraps-at: 4096}

A value is (answer * scale + offset) in `unit`; `wraps-at` is in the instrument's own counts.
Tachometers with a memory of samples: `hil.plan.memory`; interlocks: `hil.plan.inputs`.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator

from hil.plan.described import Described, Fixed, Query, QueryOrNone, once
from hil.plan.model import Model
from hil.plan.units import convert
from hil.ports.reading_commands import (
    POSITION,
    SPEED,
    SWITCH,
    THERMOMETER,
    Conversion,
    CounterCommands,
    EncoderCommands,
    NumberQuery,
    SwitchCommands,
    ThermometerCommands,
)

Plain = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class ScaleTexts(Model):
    """What a number in an answer means."""

    quantity: ClassVar[str]

    scale: Annotated[Plain, Field(gt=0.0)] = 1.0
    unit: str | None = None

    @model_validator(mode="after")
    def _known_unit(self) -> ScaleTexts:
        self.meaning()
        return self

    def meaning(self) -> Conversion:
        """The same in canonical units.

        Raises
        ------
        ValueError
            For a unit of another kind.
        """
        zero, one = self.of_unit()
        return Conversion(gain=self.scale * one, zero=zero)

    def of_unit(self) -> tuple[float, float]:
        """Canonical value of zero in the unit, and how much one more is."""
        if self.unit is None:  # nothing need be converted, nor the library loaded
            return 0.0, 1.0
        zero = convert(f"0 {self.unit}", self.quantity)
        return zero, convert(f"1 {self.unit}", self.quantity) - zero


class ValueTexts(ScaleTexts):
    """The same of a number that may count the other way round, or begin anew at some count."""

    offset: Plain = 0.0
    sign: Literal["positive", "negative"] = "positive"
    wraps_at: Annotated[Plain, Field(gt=0.0)] | None = None  # of the answer

    def meaning(self) -> Conversion:
        """The same in canonical units."""
        zero, one = self.of_unit()
        sign = -1.0 if self.sign == "negative" else 1.0
        gain = self.scale * one
        return Conversion(
            gain=sign * gain,
            zero=sign * (self.offset * one + zero),
            wraps_at=0.0 if self.wraps_at is None else self.wraps_at * gain,
        )


class NumberTexts(ValueTexts):
    """One number: how to ask for it and what the answer means."""

    query: QueryOrNone = ""

    def described(self) -> NumberQuery:
        """The same for a driver."""
        meaning = self.meaning()
        return NumberQuery(
            query=self.query, gain=meaning.gain, zero=meaning.zero, wraps_at=meaning.wraps_at
        )


class SpeedTexts(NumberTexts):
    """A speed."""

    quantity = "speed"
    query: QueryOrNone = SPEED.query
    scale: Annotated[Plain, Field(gt=0.0)] = SPEED.gain


class PositionTexts(NumberTexts):
    """An angle of the shaft."""

    quantity = "angle"
    query: QueryOrNone = POSITION.query


class TemperatureTexts(NumberTexts):
    """A temperature."""

    quantity = "temperature"
    query: Query = THERMOMETER.temperature.query


class CounterTexts(Described):
    """A tachometer or counter that is asked again and again; a query of "" for what it lacks."""

    setup: tuple[Fixed, ...] = ()
    speed: SpeedTexts = SpeedTexts()
    position: PositionTexts = PositionTexts(query="")

    @model_validator(mode="after")
    def _something(self) -> CounterTexts:
        if not (self.speed.query or self.position.query):
            raise ValueError("expected a query of speed or position, found neither")
        return self

    def described(self, name: str = "") -> CounterCommands:
        """The same for a driver."""
        return CounterCommands(
            name=self.name or name,
            setup=self.setup,
            error_query=self.error_query,
            command_gap=self.command_gap,
            speed=self.speed.described() if self.speed.query else None,
            position=self.position.described() if self.position.query else None,
        )


class EncoderTexts(Described):
    """An encoder counter."""

    setup: tuple[Fixed, ...] = ()
    position: PositionTexts = PositionTexts()

    def described(self, name: str = "") -> EncoderCommands:
        """The same for a driver."""
        return EncoderCommands(
            name=self.name or name,
            setup=self.setup,
            error_query=self.error_query,
            command_gap=self.command_gap,
            position=self.position.described(),
        )


class ThermometerTexts(Described):
    """A thermometer."""

    setup: tuple[Fixed, ...] = ()
    temperature: TemperatureTexts = TemperatureTexts()

    def described(self, name: str = "") -> ThermometerCommands:
        """The same for a driver."""
        return ThermometerCommands(
            name=self.name or name,
            setup=self.setup,
            error_query=self.error_query,
            command_gap=self.command_gap,
            temperature=self.temperature.described(),
        )


def _relay(text: str) -> str:
    return once(text, "{relay}")


Relay = Annotated[str, AfterValidator(_relay)]


def _pulse(text: str) -> str:
    return text and once(_relay(text), "{time}")


class SwitchTexts(Described):
    """Relays, by number."""

    setup: tuple[Fixed, ...] = ()
    close: Relay = SWITCH.close
    open: Relay = SWITCH.open
    query: Annotated[str, AfterValidator(lambda text: text and _relay(text))] = SWITCH.query
    pulse: Annotated[str, AfterValidator(_pulse)] = SWITCH.pulse

    def described(self, name: str = "") -> SwitchCommands:
        """The same for a driver."""
        return SwitchCommands(
            name=self.name or name,
            setup=self.setup,
            error_query=self.error_query,
            command_gap=self.command_gap,
            close=self.close,
            open=self.open,
            query=self.query,
            pulse=self.pulse,
        )
