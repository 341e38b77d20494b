"""What the three legs do: nothing, one of the six steps, or a short circuit of the windings.

A step is driven synchronously: the high phase switches between both rails, the low phase is tied to
ground, the third floats. In the middle of the period the high gate is on, so the bridge input
current sampled there is the winding current, with its sign.
"""

from __future__ import annotations

from typing import Any

from hil.twin.jit import inlined
from hil.twin.port import LEG_FLOAT, LEG_SYNC
from hil.twin.reference.sixstep import FLOATING, HIGH, LOW

OFF, DRIVEN, SHORTED = 0, 1, 2  # values of `bridge`


@inlined
def write_outputs(s: Any, outputs: Any) -> None:
    """Command the legs for the next period."""
    if s.bridge == DRIVEN:
        high, low, floating = HIGH[s.pattern], LOW[s.pattern], FLOATING[s.pattern]
        outputs.duty[high] = s.applied / s.bus
        outputs.drive[high] = LEG_SYNC
        outputs.duty[low] = 0.0
        outputs.drive[low] = LEG_SYNC
        outputs.duty[floating] = 0.0
        outputs.drive[floating] = LEG_FLOAT
    else:
        leg = LEG_SYNC if s.bridge == SHORTED else LEG_FLOAT
        for phase in range(3):
            outputs.duty[phase] = 0.0
            outputs.drive[phase] = leg
