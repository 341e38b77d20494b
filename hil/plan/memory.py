"""The description of a tachometer with a memory of samples; see `hil.plan.described`.

tachometer:
  driver: scpi
  interval: 2 ms                                # that the samples lie apart
  commands:
    setup: ["RATE 500"]
    interval: {query: "RATE:INT?", unit: ms}    # query "": it cannot be asked
    begin: "ARM"                                # memory empty, time of the samples zero
    fetch: "DATA?"
    columns: [time, speed]                      # of a sample, in this order
    time: {scale: 0.001}                        # for each, as in `hil.plan.readings`
    binary: ""                                  # no command for 64-bit numbers instead of text
    empty: NONE                                 # answer if there is nothing new
    batch: 100                                  # samples that one answer holds at most
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator

from hil.plan.described import Described, Fixed, Query, QueryOrNone, line
from hil.plan.model import Count
from hil.plan.readings import ScaleTexts, ValueTexts
from hil.ports.reading_commands import INTERVAL, MEMORY, MemoryCommands, NumberQuery

Column = Literal["time", "position", "speed"]


class TimeTexts(ScaleTexts):
    """Time of a sample since `begin`."""

    quantity: ClassVar[str] = "time"


class IntervalTexts(TimeTexts):
    """Time between samples, as the instrument itself states it."""

    query: QueryOrNone = INTERVAL.query


class PositionColumn(ValueTexts):
    """Angle of the shaft in a sample."""

    quantity: ClassVar[str] = "angle"


class SpeedColumn(ValueTexts):
    """Speed in a sample."""

    quantity: ClassVar[str] = "speed"


class MemoryTexts(Described):
    """A tachometer that stores samples by itself."""

    setup: tuple[Fixed, ...] = ()
    interval: IntervalTexts = IntervalTexts()
    begin: Fixed = MEMORY.begin
    fetch: Query = MEMORY.fetch
    binary: Annotated[str, AfterValidator(line)] = MEMORY.binary
    empty: Annotated[str, AfterValidator(line)] = MEMORY.empty
    batch: Count = MEMORY.batch
    columns: Annotated[tuple[Column, ...], Field(min_length=1)] = ("time", "position", "speed")
    time: TimeTexts = TimeTexts()
    position: PositionColumn = PositionColumn()
    speed: SpeedColumn = SpeedColumn()

    @model_validator(mode="after")
    def _complete(self) -> MemoryTexts:
        found = ", ".join(self.columns)
        if len(set(self.columns)) != len(self.columns):
            raise ValueError(f"columns: expected each of them once, found {found}")
        if not {"time", "speed"} <= set(self.columns):
            raise ValueError(f"columns: expected time and speed among them, found {found}")
        if "position" not in self.columns and "position" in self.model_fields_set:
            raise ValueError(f"position: expected it among columns, found {found}")
        return self

    def described(self, name: str = "") -> MemoryCommands:
        """The same for a driver."""
        asked, meaning = self.interval.query, self.interval.meaning()
        return MemoryCommands(
            name=self.name or name,
            setup=self.setup,
            error_query=self.error_query,
            command_gap=self.command_gap,
            interval=NumberQuery(query=asked, gain=meaning.gain) if asked else None,
            begin=self.begin,
            fetch=self.fetch,
            binary=self.binary,
            empty=self.empty,
            batch=self.batch,
            columns=self.columns,
            time=self.time.meaning(),
            position=self.position.meaning(),
            speed=self.speed.meaning(),
        )
