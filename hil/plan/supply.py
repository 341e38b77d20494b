"""The description of a bench supply: which commands it understands.

    supply: {commands: my-supply.yaml}                      # in the rig file: a file beside it
    supply: {commands: {file: my-supply.yaml, channel: {number: 2}}}
    supply: {commands: {over-voltage-protection: {present: false}, command-gap: 50 ms}}

Every key may be left out; what is left out is as in SCPI-1999.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from hil.plan.described import (
    Described,
    Fixed,
    FixedOrNone,
    Query,
    QueryOrNone,
    dotted,
    find,
    line,
)
from hil.plan.model import Count, Model, Switch, Text
from hil.plan.source import Problem, Source, Where
from hil.plan.units import CurrentLimit, Ratio, Time, VoltageLimit
from hil.ports.supply_commands import (
    PLACE,
    SCPI_1999,
    Channel,
    OverCurrent,
    Settling,
    SupplyCommands,
    Watchdog,
)

_DEFAULT, _CURRENT = SCPI_1999, OverCurrent()


def _setting(text: str) -> str:
    rest = PLACE.sub("", line(text), count=1)
    if rest == text or "{" in rest or "}" in rest or "?" in rest:
        raise ValueError(f"expected a command with {{value}} in it once, found {text!r}")
    return text


Setting = Annotated[str, AfterValidator(_setting)]
SettingOrNone = Annotated[str, AfterValidator(lambda text: text and _setting(text))]


class VoltageTexts(Model):
    """Voltage set point."""

    set: Setting = _DEFAULT.voltage
    query: QueryOrNone = _DEFAULT.voltage_query
    step: VoltageLimit = _DEFAULT.voltage_step  # how far it may read back off


class CurrentTexts(Model):
    """Current limit."""

    set: Setting = _DEFAULT.current
    query: QueryOrNone = _DEFAULT.current_query
    step: CurrentLimit = _DEFAULT.current_step


class ProtectionTexts(Model):
    """Over-voltage protection, if there is one."""

    present: Switch = True
    set: Setting = _DEFAULT.protection
    query: QueryOrNone = _DEFAULT.protection_query
    tripped: QueryOrNone = _DEFAULT.tripped
    clear: FixedOrNone = _DEFAULT.clear


class OverCurrentTexts(Model):
    """Over-current protection, where it shall be used."""

    level: SettingOrNone = _CURRENT.level
    query: QueryOrNone = _CURRENT.level_query
    enable: FixedOrNone = _CURRENT.enable
    disable: FixedOrNone = _CURRENT.disable
    enabled: QueryOrNone = _CURRENT.enabled
    tripped: QueryOrNone = _CURRENT.tripped

    def described(self) -> OverCurrent:
        """The same for a driver."""
        told = self.model_dump(exclude={"query"})
        return OverCurrent(**told, level_query=self.query if self.level else "")


class OutputTexts(Model):
    """Output relay; its state must be readable, or nobody would know that it is off."""

    on: Fixed = _DEFAULT.output_on
    off: Fixed = _DEFAULT.output_off
    query: Query = _DEFAULT.output_query


class MeasureTexts(Model):
    """What the supply measures at its output."""

    voltage: Query = _DEFAULT.measure_voltage
    current: Query = _DEFAULT.measure_current
    together: Switch | None = None  # in one message; if left out, when both are as in SCPI-1999


class ChannelTexts(Model):
    """One output of several; see `hil.ports.supply_commands.Channel`."""

    number: Count
    by: Literal["select", "list", "prefix"] = "select"
    text: str | None = None

    @model_validator(mode="after")
    def _fits(self) -> ChannelTexts:
        if self.by == "list" and self.text is not None:
            raise ValueError("text: a channel list is always (@n), expected none")
        if self.by == "prefix" and self.text is None:
            raise ValueError("text is missing: a prefix such as 'CH{number}:'")
        if self.text is not None and line(self.text).count("{number}") != 1:
            raise ValueError(f"text: expected {{number}} in it once, found {self.text!r}")
        return self

    def described(self) -> Channel:
        """The same for a driver."""
        return Channel(number=self.number, by=self.by, text=self.text or "INST:NSEL {number}")


class WatchdogTexts(Model):
    """Communication watchdog of the supply; off unless it is described."""

    enable: Fixed
    disable: FixedOrNone = ""
    keep_alive: str = ""
    interval: Time = 1.0
    query: str = ""
    reads: Text = "1"


class SettlingTexts(Model):
    """When a new output voltage counts as there."""

    within: Annotated[Ratio, Field(gt=0.0)] = _DEFAULT.settling.within
    hold: Annotated[Time, Field(alias="for")] = _DEFAULT.settling.hold
    limit: Annotated[Time, Field(alias="time-limit")] = _DEFAULT.settling.limit

    @model_validator(mode="after")
    def _possible(self) -> SettlingTexts:
        if self.limit <= self.hold:
            raise ValueError(
                f"time-limit: expected more than for {self.hold:g} s, found {self.limit:g} s"
            )
        return self


class SupplyTexts(Described):
    """Everything a supply description can say."""

    voltage: VoltageTexts = VoltageTexts()
    current: CurrentTexts = CurrentTexts()
    over_voltage_protection: ProtectionTexts = ProtectionTexts()
    over_current_protection: OverCurrentTexts | None = None
    questionable_status: QueryOrNone = _DEFAULT.questionable
    output: OutputTexts = OutputTexts()
    measure: MeasureTexts = MeasureTexts()
    channel: ChannelTexts | None = None
    watchdog: WatchdogTexts | None = None
    settling: SettlingTexts = SettlingTexts()
    sinks: Switch | None = None

    def described(self, name: str = "") -> SupplyCommands:
        """The same for a driver."""
        trip, dog = self.over_voltage_protection, self.watchdog
        current = self.over_current_protection
        has = trip.present
        return SupplyCommands(
            name=self.name or name or _DEFAULT.name,
            voltage=self.voltage.set,
            voltage_query=self.voltage.query,
            current=self.current.set,
            current_query=self.current.query,
            protection=trip.set if has else "",
            protection_query=trip.query if has else "",
            tripped=trip.tripped if has else "",
            clear=trip.clear if has else "",
            over_current=None if current is None else current.described(),
            questionable=self.questionable_status,
            output_on=self.output.on,
            output_off=self.output.off,
            output_query=self.output.query,
            measure_voltage=self.measure.voltage,
            measure_current=self.measure.current,
            together=self.measure.together,
            error_query=self.error_query,
            command_gap=self.command_gap,
            voltage_step=self.voltage.step,
            current_step=self.current.step,
            channel=self.channel.described() if self.channel else None,
            watchdog=None if dog is None else Watchdog(**dog.model_dump()),
            sinks=self.sinks,
            settling=Settling(**self.settling.model_dump()),
        )


def find_commands(
    texts: SupplyTexts | None, source: Source, at: Where
) -> tuple[SupplyCommands, tuple[Path, ...]]:
    """What a rig file says at `at`, and the file it was read from, if any.

    Raises
    ------
    PlanError
        With file, line and column of every problem.
    """
    if texts is None:
        return _DEFAULT, ()
    described, name, files = find(
        texts, source, at, beside=("channel",), complaints=_contradictions
    )
    if described is not texts and texts.channel is not None:
        chosen = _number(texts.channel, described.channel)
        described = described.model_copy(update={"channel": chosen})
    return described.described(name), files


def _number(chosen: ChannelTexts, known: ChannelTexts | None) -> ChannelTexts:
    """Channel of the rig file; how it is addressed is as in the description, if that says so."""
    if known is None or chosen.model_fields_set - {"number"}:
        return chosen
    return known.model_copy(update={"number": chosen.number})


def _contradictions(texts: SupplyTexts, source: Source, at: Where) -> Iterator[Problem]:
    trip = texts.over_voltage_protection
    if not trip.present and trip.model_fields_set != {"present"}:
        where = (*at, "over-voltage-protection")
        yield source.problem(
            where, f"{dotted(where)}: present is false, so that no commands may be given"
        )
    current = texts.over_current_protection
    if current is not None and not (current.level or current.enable):
        where = (*at, "over-current-protection")
        yield source.problem(
            where, f"{dotted(where)}: neither level nor enable: nothing would switch it on"
        )
    if texts.watchdog is not None and texts.watchdog.interval <= 0.0:
        where = (*at, "watchdog", "interval")
        yield source.problem(where, f"{dotted(where)}: expected more than zero, found 0")
