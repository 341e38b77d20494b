"""What a bench supply understands, as data: what a rig file says, and what a driver sends.

`hil.plan.supply` reads it from a file; `hil.drivers.supply` and `hil.drivers.brake_current` speak
by it. The defaults are the short forms of SCPI-1999, volume 2 (SOURce, OUTPut, MEASure).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

#: Where a number goes in a command text.
PLACE = re.compile(r"\{value(?::(0?\d*\.\d+f))?\}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One output of several.

    Parameters
    ----------
    by : ``select``: `text` goes ahead of each command in one message, so that nobody can select
        another output in between; ``list``: ``(@n)`` is the last parameter; ``prefix``: `text`
        stands right before the command.
    text : with ``{number}``.
    """

    number: int
    by: Literal["select", "list", "prefix"] = "select"
    text: str = "INST:NSEL {number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Watchdog:
    """The supply switches itself off when nobody speaks to it any more.

    `enable` is sent before output-on, `disable` ("" for none) after output-off, `keep_alive` ("" if
    every message counts) at least every `interval` s while the output is on. `query` ("" if it
    cannot be asked) must be answered with `reads` after it was enabled.
    """

    enable: str
    disable: str = ""
    keep_alive: str = ""
    interval: float = 1.0
    query: str = ""
    reads: str = "1"


@dataclass(frozen=True, slots=True, kw_only=True)
class OverCurrent:
    """Over-current protection: the output goes off where the supply would only limit its current.

    `level` sets where it trips, `level_query` reads that back; without one ("") it trips at
    whatever the current limit is. `enable` and `disable` ("" for none) switch it, and `enabled`
    asks whether it is on. `tripped` asks whether it has tripped.
    """

    level: str = "CURR:PROT {value}"
    level_query: str = "CURR:PROT?"
    enable: str = "CURR:PROT:STAT ON"
    disable: str = "CURR:PROT:STAT OFF"
    enabled: str = "CURR:PROT:STAT?"
    tripped: str = "CURR:PROT:TRIP?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settling:
    """When a new output voltage counts as there.

    Parameters
    ----------
    within : half-width of the band around the set voltage, % of it.
    hold : s for which every reading must lie in the band, three readings at least.
    limit : s by when it must have done so.
    """

    within: float = 2.0
    hold: float = 0.04
    limit: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyCommands:
    """Command texts; "" where the supply has none.

    ``{value}`` stands for a number in V or A; ``{value:.3f}`` or ``{value:06.3f}`` for one with so
    many decimals, and zeros ahead.

    Parameters
    ----------
    name : of the description, for people.
    over_current : None where its over-current protection, if any, is left as it is.
    questionable : asks for the register whose bits 0 and 1 say that voltage and current are
        questionable (SCPI-1999 vol. 1, 9.4); "" for none.
    error_query : "" for an instrument without an error queue.
    command_gap : s that it needs between two messages.
    voltage_step, current_step : how far a set point may read back off, V and A.
    together : whether voltage and current may be asked for in one message, as IEEE 488.2 has it
        (units separated by ";", and answered so); None: if both queries are the standard's.
    sinks : whether it takes current back; None: the file does not say.
    settling : what is known of how its output settles.
    """

    name: str = "SCPI-1999"
    voltage: str = "VOLT {value}"
    voltage_query: str = "VOLT?"
    current: str = "CURR {value}"
    current_query: str = "CURR?"
    protection: str = "VOLT:PROT {value}"
    protection_query: str = "VOLT:PROT?"
    tripped: str = "VOLT:PROT:TRIP?"
    clear: str = "VOLT:PROT:CLE"
    over_current: OverCurrent | None = None
    questionable: str = "STAT:QUES:COND?"
    output_on: str = "OUTP ON"
    output_off: str = "OUTP OFF"
    output_query: str = "OUTP?"
    measure_voltage: str = "MEAS:VOLT?"
    measure_current: str = "MEAS:CURR?"
    together: bool | None = None
    error_query: str = "SYST:ERR?"
    command_gap: float = 0.0
    voltage_step: float = 0.02
    current_step: float = 0.02
    channel: Channel | None = None
    watchdog: Watchdog | None = None
    sinks: bool | None = None
    settling: Settling = Settling()

    def message(self, text: str, value: float | None = None) -> str:
        """One of the texts as it is sent: with its number, for the channel that is meant.

        At most nine significant digits if the text does not say otherwise, and no unit (suffixes
        are optional in SCPI).
        """
        if value is not None:
            text = PLACE.sub(lambda found: format(value, found[1] or ".9g"), text)
        channel = self.channel
        if channel is None:
            return text
        if channel.by == "list":
            return f"{text}{',' if ' ' in text else ' '}(@{channel.number})"
        ahead = channel.text.replace("{number}", str(channel.number))
        if channel.by == "prefix":
            return f"{ahead}{text}"
        # A header after ";" would be read relative to the one before it: ":" starts at the root.
        return f"{ahead};{'' if text.startswith((':', '*')) else ':'}{text}"

    @property
    def measure_both(self) -> str:
        """One message that asks for voltage and current; "" if they are asked for one by one."""
        queries = self.measure_voltage, self.measure_current
        standard = queries == (SCPI_1999.measure_voltage, SCPI_1999.measure_current)
        if not (standard if self.together is None else self.together):
            return ""
        first, channel = self.message(queries[0]), self.channel
        selected = channel is not None and channel.by == "select"
        second = queries[1] if selected else self.message(queries[1])
        return f"{first};{'' if second.startswith((':', '*')) else ':'}{second}"

    @property
    def lacks(self) -> tuple[str, ...]:
        """What this supply cannot do, in words; nothing for one that does it all."""
        found = []
        if not self.protection:
            found.append("no over-voltage protection: nothing in the supply limits its voltage")
        else:
            if not self.protection_query:
                found.append("its over-voltage protection cannot be read back")
            if not (self.tripped and self.clear):
                found.append("a trip of its protection cannot be asked for and cleared")
        if not self.voltage_query:
            found.append("its voltage setting cannot be read back")
        if not self.current_query:
            found.append("its current limit cannot be read back")
        if not self.error_query:
            found.append("no error queue: a refused command shows only in what is read back")
        return tuple(found)


#: A supply that keeps to the standard.
SCPI_1999 = SupplyCommands()
