"""Notices in mid-run a supply that is not in order, so that the firmware is not blamed for it."""

from __future__ import annotations

from dataclasses import dataclass

from hil.core.errors import InstrumentError
from hil.core.trace import Accuracy
from hil.ports.instruments import Supply, SupplyReading, TellsItsState
from hil.ports.supply_commands import Settling

#: The error queue of the supply is read this often, s.
ERRORS_EVERY = 1.0
#: A disagreement counts once it has lasted for this long, s: a regulator needs its time after a
#: step of the load (common practice, no source).
PATIENCE = 0.3
#: A reading this far below the set voltage, as a share of it, may come from leads and contacts.
SAG = 0.1
#: From this share of its current limit on, a supply is taken to limit the current.
LIMITING = 0.95


@dataclass(frozen=True, slots=True)
class SupplyFacts:
    """What is known of a supply: limits of error of its readings, and how fast it settles."""

    voltage: Accuracy = Accuracy()  # noqa: RUF009 - frozen
    current: Accuracy = Accuracy()  # noqa: RUF009 - frozen
    settling: Settling = Settling()  # noqa: RUF009 - frozen


class ProtectionTripped(InstrumentError):
    """A protection of the supply switched its output off; a person must see why."""


class SupplyWatch:
    """See the module text; `begin` at every output-on."""

    def __init__(self, supply: Supply, facts: SupplyFacts) -> None:
        self._supply = supply if isinstance(supply, TellsItsState) else None
        self._facts = facts
        self._limit = float("inf")
        self._next = self._since = float("-inf")
        self._set: float | None = None

    def begin(self, current_limit: float) -> None:
        """The output goes on, with this current limit in A."""
        self._limit = current_limit
        self._next, self._set = float("-inf"), None

    def check(self, reading: SupplyReading, wanted: float) -> None:
        """Raise if the supply reports errors, or a voltage that it was not set to.

        Parameters
        ----------
        wanted : V, what the output had settled at.

        Raises
        ------
        InstrumentError
        """
        if self._supply is None:
            return
        if reading.time >= self._next:
            self._next = reading.time + ERRORS_EVERY
            self.check_errors()
        if self.agrees(reading, wanted):
            self._set = None
            return
        point = self._supply.set_point()
        actual = wanted if point is None else point
        if self.agrees(reading, actual):  # a dip that the scenario asked for
            self._set = None
            return
        if actual != self._set:
            self._set, self._since = actual, reading.time
        patience = PATIENCE if actual == wanted else max(PATIENCE, self._facts.settling.limit)
        if reading.time - self._since >= patience:
            raise InstrumentError(
                f"the supply contradicts itself: set to {actual:.4g} V, it reads "
                f"{reading.voltage:.4g} V at {reading.current:.3g} A for "
                f"{reading.time - self._since:.2f} s, beyond its accuracy and its current limit of "
                f"{self._limit:g} A"
            )

    def check_errors(self) -> None:
        """Raise `InstrumentError` with what stands in the error queue, if anything does."""
        if self._supply is not None and (errors := self._supply.errors()):
            raise InstrumentError(f"the supply reports errors unasked: {'; '.join(errors)}")

    def agrees(self, reading: SupplyReading, set_to: float) -> bool:
        """Whether a reading can be that of a sound supply set to this voltage.

        Above it only while no current is drawn: then the drive may be feeding back. Below it at
        the current limit, or by what leads and contacts may take.
        """
        facts = self._facts
        allowed = _error(facts.voltage, reading.voltage) + facts.settling.within / 100.0 * set_to
        off = reading.voltage - set_to
        if off > allowed:
            return reading.current <= max(_error(facts.current, reading.current), 0.01)
        if off < -(allowed + SAG * set_to):
            return reading.current >= LIMITING * self._limit
        return True


def _error(accuracy: Accuracy, reading: float) -> float:
    return accuracy.relative * abs(reading) + accuracy.absolute + accuracy.resolution
