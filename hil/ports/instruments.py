"""What the instruments of a bench must do. Each raises `InstrumentError` with its cause."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from hil.core.record import Identity
from hil.core.trace import FloatArray


@dataclass(frozen=True, slots=True)
class SupplyReading:
    """Measured output of the supply: V, A, and `Clock.now()` in the middle of the query, s."""

    time: float
    voltage: float
    current: float


@dataclass(frozen=True, slots=True, eq=False)
class ShaftReadings:
    """Shaft samples since the previous read.

    time : (n,) `Clock.now()` scale, s; position : (n,) deg, unwrapped, clockwise positive;
    speed : (n,) rpm, signed.
    """

    time: FloatArray
    position: FloatArray
    speed: FloatArray


@dataclass(frozen=True, slots=True)
class Reading:
    """One number in its canonical unit, at `Clock.now()` in the middle of the query, s.

    half_trip : half the time that the query took, s: the number is from within that of `time`.
    """

    time: float
    value: float
    half_trip: float = 0.0


@runtime_checkable
class Instrument(Protocol):
    """Common to all instruments."""

    def identify(self) -> Identity:
        """Answer to ``*IDN?``, split."""

    def close(self) -> None:
        """Release the session; a second call does nothing."""


@runtime_checkable
class Supply(Instrument, Protocol):
    """Bench supply. Output is off after opening, and limits are set before output-on."""

    def prepare(self, voltage: float, current_limit: float, over_voltage: float) -> None:
        """Set limits, then voltage; error if any reads back differently. Output left alone."""

    def set_voltage(self, voltage: float) -> None:
        """Change the voltage set point, read back."""

    def switch_on(self) -> None:
        """Output on, verified by query; error if the output reads back off."""

    def switch_off(self) -> None:
        """Output off, verified by query. Safe to call at any time and more than once."""

    def is_on(self) -> bool:
        """Output state as the supply reports it."""

    def measure(self) -> SupplyReading:
        """Measured voltage and current."""


@runtime_checkable
class KeptErrors(Instrument, Protocol):
    """An instrument with an error queue, which is emptied when it is opened."""

    @property
    def errors_at_open(self) -> tuple[str, ...]:
        """What stood in it then, oldest first: of whoever used the instrument before."""


@runtime_checkable
class TellsItsState(Protocol):
    """A supply that can be asked, at any time, whether it is well."""

    def set_point(self) -> float | None:
        """Voltage in V that it is set to, as it says itself; None if it cannot say."""

    def errors(self) -> tuple[str, ...]:
        """What its error queue held, oldest first; the queue is empty afterwards."""


@runtime_checkable
class TellsTrips(Protocol):
    """A supply that tells why its output went off by itself."""

    def trips(self) -> tuple[str, ...]:
        """The protections that have tripped: ``over-voltage``, ``over-current``."""


@runtime_checkable
class Tachometer(Instrument, Protocol):
    """Independent witness of shaft angle and speed."""

    @property
    def senses_direction(self) -> bool:
        """False for a one-channel pick-up: then no direction verdict can rest on it."""

    @property
    def time_uncertainty(self) -> float:
        """Standard uncertainty of the sample times on the host's scale, s, since `begin`."""

    def begin(self) -> None:
        """Empty the sample memory and restart its time base."""

    def read(self) -> ShaftReadings:
        """Samples since the last call; never blocks for new ones."""


@runtime_checkable
class Encoder(Instrument, Protocol):
    """Angle of the shaft."""

    def position(self) -> Reading:
        """Angle in deg, clockwise positive, unwrapped."""


@runtime_checkable
class Thermometer(Instrument, Protocol):
    """Temperature of the power stage, or of what else runs hot, besides what the board reports."""

    def temperature(self) -> Reading:
        """Temperature in degC; error for a sensor that is open."""


@runtime_checkable
class Brake(Instrument, Protocol):
    """Loads or holds the shaft."""

    def apply(self, torque: float) -> None:
        """Braking torque in N m, opposing motion; enough of it holds the shaft."""

    def release(self) -> None:
        """No braking torque. Safe to call at any time."""


@runtime_checkable
class SignalSwitch(Instrument, Protocol):
    """Relays in the board's signal lines."""

    def set(self, line: str, closed: bool) -> None:
        """Open or close one line, e.g. ``hall-a``; error for a line it does not have."""

    def restore(self) -> None:
        """Close every line, the state a healthy rig is wired in. Safe to call at any time."""


@runtime_checkable
class PulsingSwitch(SignalSwitch, Protocol):
    """A signal switch that can time a short break by itself."""

    @property
    def pulses(self) -> bool:
        """Whether it can."""

    def pulse(self, line: str, seconds: float) -> None:
        """Open a line for so long and close it again; error for a line it does not have."""


@runtime_checkable
class Interlock(Instrument, Protocol):
    """Emergency stop and guard contacts; a closed circuit is safe, so that a broken wire is not."""

    def read(self) -> Mapping[str, bool]:
        """Name of each contact -> whether its circuit is closed."""


@runtime_checkable
class TrippingSupply(Supply, Protocol):
    """A supply whose over-voltage protection can be tried out."""

    def set_protection(self, voltage: float) -> None:
        """Set the protection level alone, in V; error if it is refused."""

    def tripped(self) -> bool:
        """Whether the protection has tripped."""

    def clear_protection(self) -> None:
        """Reset it; the output stays off."""
