"""What a brake that takes a torque understands, as data: what a rig file says, what a driver sends.

`hil.plan.braking` reads it from a file; `hil.drivers.brake` speaks by it. SCPI-1999 has no word for
a torque; the defaults are the project's own.
"""

from __future__ import annotations

from dataclasses import dataclass

from hil.ports.reading_commands import Conversation
from hil.ports.supply_commands import PLACE


@dataclass(frozen=True, slots=True, kw_only=True)
class BrakeCommands(Conversation):
    """A brake, or the analogue output that commands it. Torque in N m = number sent * `gain`.

    Parameters
    ----------
    set : with ``{value}``, as in `SupplyCommands`.
    query : answered by what is set, in the same numbers; "" for a brake that cannot be asked.
    step : how far a set point may read back off, N m.
    enable : sent after a torque is set; disable : sent to let go, before the torque is set to zero;
        "" for none.
    """

    set: str = "TORQ {value}"
    query: str = "TORQ?"
    gain: float = 1.0
    step: float = 0.001
    enable: str = ""
    disable: str = ""

    def message(self, torque: float) -> str:
        """What sets a torque in N m: at most nine significant digits if `set` does not say."""
        number = torque / self.gain
        return PLACE.sub(lambda found: format(number, found[1] or ".9g"), self.set)

    @property
    def lacks(self) -> tuple[str, ...]:
        """What this brake cannot do, in words; nothing for one that does it all."""
        found = []
        if not self.query:
            found.append("its torque cannot be read back: that it lets go is believed")
            if not self.error_query:
                found.append("no error queue: a refused command does not show")
        return tuple(found)


#: A brake that is told its torque in N m.
BRAKE = BrakeCommands()
