"""Descriptions of counters, encoders, thermometers and signal switches; see `hil.plan.described`.

    commands:
      setup: ["FUNC FREQ"]                          # sent once, on opening
      speed: {query: "READ?", scale: 30, unit: rpm}   # a pulse every half turn, answer in Hz
      position: {query: "COUN?", scale: 0.0879, unit: deg, sign: negative, wraps-at: 4096}

A value is (answer * scale + offset) in `unit`; `wraps-at` is in the instrument's own counts.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator

from hil.plan.described import Described, Fixed, Query, QueryOrNone, line
from hil.plan.model import Model
from hil.plan.units import convert
from hil.ports.reading_commands import (
    POSITION,
    SPEED,
    SWITCH,
    THERMOMETER,
    CounterCommands,
    EncoderCommands,
    NumberQuery,
    SwitchCommands,
    ThermometerCommands,
)

Plain = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class NumberTexts(Model):
    """One number: how to ask for it and what the answer means."""

    quantity: ClassVar[str]

    query: QueryOrNone = ""
    scale: Annotated[Plain, Field(gt=0.0)] = 1.0
    offset: Plain = 0.0
    unit: str | None = None
    sign: Literal["positive", "negative"] = "positive"
    wraps_at: Annotated[Plain, Field(gt=0.0)] | None = None  # of the answer

    @model_validator(mode="after")
    def _known_unit(self) -> NumberTexts:
        self.described()
        return self

    def described(self) -> NumberQuery:
        """The same in canonical units.

        Raises
        ------
        ValueError
            For a unit of another kind.
        """
        zero, one = 0.0, 1.0
        if self.unit is not None:  # without one nothing need be converted, nor the library loaded
            zero = convert(f"0 {self.unit}", self.quantity)
            one = convert(f"1 {self.unit}", self.quantity) - zero
        sign = -1.0 if self.sign == "negative" else 1.0
        gain = self.scale * one
        return NumberQuery(
            query=self.query,
            gain=sign * gain,
            zero=sign * (self.offset * one + zero),
            wraps_at=0.0 if self.wraps_at is None else self.wraps_at * gain,
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
    if line(text).count("{relay}") != 1 or text.replace("{relay}", "").count("{"):
        raise ValueError(f"expected {{relay}} in it once, found {text!r}")
    return text


Relay = Annotated[str, AfterValidator(_relay)]


class SwitchTexts(Described):
    """Relays, by number."""

    setup: tuple[Fixed, ...] = ()
    close: Relay = SWITCH.close
    open: Relay = SWITCH.open
    query: Annotated[str, AfterValidator(lambda text: text and _relay(text))] = SWITCH.query

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
        )
