"""How instruments are asked for one number, as data: what a rig file says, and what a driver sends.

`hil.plan.readings` reads it from a file; the drivers of tachometers, encoders, thermometers, relays
and interlocks ask by it. The defaults are those of SCPI-1999 where it has a word for the quantity.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """What a number in an answer means. Canonical value = answer * `gain` + `zero`.

    Parameters
    ----------
    wraps_at : canonical size of the range after which the answer begins anew; 0 for never.
    """

    gain: float = 1.0
    zero: float = 0.0
    wraps_at: float = 0.0

    def value(self, answer: float) -> float:
        """The canonical value of an answer."""
        return answer * self.gain + self.zero


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberQuery(Conversion):
    """One number, and the text that is answered by it."""

    query: str


#: SCPI-1999 vol. 2, MEASure:FREQuency, at one pulse a turn.
SPEED = NumberQuery(query="MEAS:FREQ?", gain=60.0)
#: SCPI-1999 has no word for an angle; this is the project's own.
POSITION = NumberQuery(query="MEAS:POS?")
#: SCPI-1999 vol. 2, MEASure:TEMPerature.
TEMPERATURE = NumberQuery(query="MEAS:TEMP?")
#: SCPI-1999 vol. 2, SWEep:TINTerval.
INTERVAL = NumberQuery(query="SWE:TINT?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversation:
    """Common to all: `setup` is sent once, on opening; for the rest see `SupplyCommands`."""

    name: str = "SCPI-1999"
    setup: tuple[str, ...] = ()
    error_query: str = "SYST:ERR?"
    command_gap: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterCommands(Conversation):
    """A tachometer or counter that answers with what it has just measured.

    `speed` in rpm, `position` in deg; at least one of both. A counter without direction answers a
    speed that is never negative.
    """

    speed: NumberQuery | None = SPEED
    position: NumberQuery | None = None

    def standard(self) -> CounterCommands:
        """The same numbers in the words of the standard."""
        return CounterCommands(
            speed=SPEED if self.speed else None,
            position=POSITION if self.position else None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryCommands(Conversation):
    """A tachometer that stores samples by itself and gives away what it has stored.

    Parameters
    ----------
    interval : asks for the time between samples, s; None for one that cannot be asked.
    begin : empties the memory and restarts the time of its samples at zero.
    fetch : answered by the samples since the fetch before, one after another, separated by commas.
    binary : asks for the samples as 64-bit numbers and not as text, where the instrument can do so;
        "" for never. Which of the two an answer is, it tells itself.
    empty : answer of a memory with nothing new, besides the 'no value' of SCPI-1999.
    batch : samples that one fetch gives at most.
    columns : what the numbers of a sample are, in their order.
    time, position, speed : what they mean, in s, deg and rpm; without a column of positions, or of
        speeds, there are none (NaN).
    """

    interval: NumberQuery | None = INTERVAL
    begin: str = "INIT"
    fetch: str = "FETC:ARR?"
    binary: str = "FORM REAL,64"  # SCPI-1999 vol. 2, FORMat[:DATA]
    empty: str = ""
    batch: int = 2000
    columns: tuple[str, ...] = ("time", "position", "speed")
    time: Conversion = Conversion()
    position: Conversion = Conversion()
    speed: Conversion = Conversion()


@dataclass(frozen=True, slots=True, kw_only=True)
class EncoderCommands(Conversation):
    """An encoder: `position` in deg, clockwise positive."""

    position: NumberQuery = POSITION


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometerCommands(Conversation):
    """A thermometer: `temperature` in degC."""

    temperature: NumberQuery = TEMPERATURE


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchCommands(Conversation):
    """Relays; ``{relay}`` stands for the number of one (SCPI-1999 vol. 2, ROUTe).

    `query` is answered by 1 while the relay is closed; "" for relays that cannot be read back.
    `pulse` opens a relay for ``{time}`` s and closes it again; "" where there is no such command.
    """

    close: str = "ROUT:CLOS (@{relay})"
    open: str = "ROUT:OPEN (@{relay})"
    query: str = "ROUT:CLOS? (@{relay})"
    pulse: str = ""

    def message(self, text: str, relay: int) -> str:
        """One of the texts as it is sent."""
        return text.replace("{relay}", str(relay))


@dataclass(frozen=True, slots=True, kw_only=True)
class InterlockCommands(Conversation):
    """Digital inputs; ``{input}`` stands for the number of one.

    Parameters
    ----------
    query : answered by 0 or 1; without ``{input}`` by a number with a bit for each of `inputs`, the
        lowest for input 1.
    inputs : how many bits that number has; 0 where each input is asked for by itself.
    closed_reads : what an input reads while its circuit is closed.
    """

    query: str = "SENS:DIG:DATA? (@{input})"
    inputs: int = 0
    closed_reads: bool = True


#: Instruments that keep to the standard.
COUNTER, MEMORY, ENCODER, THERMOMETER, SWITCH, INTERLOCK = (
    CounterCommands(), MemoryCommands(), EncoderCommands(), ThermometerCommands(),
    SwitchCommands(), InterlockCommands(),
)  # fmt: skip
