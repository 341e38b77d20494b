"""How instruments are asked for one number, as data: what a rig file says, and what a driver sends.

`hil.plan.readings` reads it from a file; counter, encoder and thermometer drivers ask by it. The
defaults are those of SCPI-1999 where it has a word for the quantity.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberQuery:
    """One number. Canonical value = answer * `gain` + `zero`.

    Parameters
    ----------
    query : text that is answered by the number.
    wraps_at : canonical size of the range after which the answer begins anew; 0 for never.
    """

    query: str
    gain: float = 1.0
    zero: float = 0.0
    wraps_at: float = 0.0

    def value(self, answer: float) -> float:
        """The canonical value of an answer."""
        return answer * self.gain + self.zero


#: SCPI-1999 vol. 2, MEASure:FREQuency, at one pulse a turn.
SPEED = NumberQuery(query="MEAS:FREQ?", gain=60.0)
#: SCPI-1999 has no word for an angle; this is the project's own.
POSITION = NumberQuery(query="MEAS:POS?")
#: SCPI-1999 vol. 2, MEASure:TEMPerature.
TEMPERATURE = NumberQuery(query="MEAS:TEMP?")


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
    """

    close: str = "ROUT:CLOS (@{relay})"
    open: str = "ROUT:OPEN (@{relay})"
    query: str = "ROUT:CLOS? (@{relay})"

    def message(self, text: str, relay: int) -> str:
        """One of the texts as it is sent."""
        return text.replace("{relay}", str(relay))


#: Instruments that keep to the standard.
COUNTER, ENCODER, THERMOMETER, SWITCH = (
    CounterCommands(), EncoderCommands(), ThermometerCommands(), SwitchCommands(),
)  # fmt: skip
