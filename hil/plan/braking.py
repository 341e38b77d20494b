"""The description of a brake that takes a torque; see `hil.plan.described`.

    brake:
      driver: scpi
      commands:
        torque: {set: "AOUT {value:.3f}", query: "AOUT?", scale: 0.2, step: 2 mN*m}   # N*m a volt
        enable: "COIL 1"                # sent after a torque is set, "" for none
        disable: "COIL 0"               # sent to let go, before the torque is set to zero

Torque is number sent * scale, in `unit`.
"""

from __future__ import annotations

from typing import ClassVar

from hil.plan.described import Described, Fixed, FixedOrNone, QueryOrNone
from hil.plan.readings import ScaleTexts
from hil.plan.supply import Setting
from hil.plan.units import Torque
from hil.ports.brake_commands import BRAKE, BrakeCommands


class TorqueTexts(ScaleTexts):
    """Set point of the torque."""

    quantity: ClassVar[str] = "torque"

    set: Setting = BRAKE.set
    query: QueryOrNone = BRAKE.query
    step: Torque = BRAKE.step  # how far it may read back off


class BrakeTexts(Described):
    """A brake, or the analogue output that commands it."""

    setup: tuple[Fixed, ...] = ()
    torque: TorqueTexts = TorqueTexts()
    enable: FixedOrNone = BRAKE.enable
    disable: FixedOrNone = BRAKE.disable

    def described(self, name: str = "") -> BrakeCommands:
        """The same for a driver."""
        torque = self.torque
        return BrakeCommands(
            name=self.name or name,
            setup=self.setup,
            error_query=self.error_query,
            command_gap=self.command_gap,
            set=torque.set,
            query=torque.query,
            gain=torque.meaning().gain,
            step=torque.step,
            enable=self.enable,
            disable=self.disable,
        )
