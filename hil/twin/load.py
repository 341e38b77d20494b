"""What the shaft drives: a load torque that opposes motion and pulsates with the shaft angle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

from hil.twin.jit import inlined

#: Mean of a rectified sine, and what is left above it.
_MEAN = 2 / math.pi
_CREST = 1 - _MEAN
#: Coefficients of the sine of an angle in turns.
_S1, _S3, _S5 = math.tau, -(math.tau**3) / 6, math.tau**5 / 120
_S7, _S9 = -(math.tau**7) / 5040, math.tau**9 / 362880


class Pulsation(IntEnum):
    """Shape of the torque over the shaft angle; both have mean 0 and maximum 1.

    SINE : a sinusoid.
    ROLLER : a rectified sinusoid, as when the rollers of a peristaltic pump press the tube in
        turn: broad humps with a sharp dip (down to -1.75) where one roller hands over to the next.
    """

    SINE = 0
    ROLLER = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadParameters:
    """Load torque opposing motion, ``max(0, mean + pulsation * shape(pulses * angle))``.

    At rest it holds like friction: a peristaltic pump does not run back by itself.

    Parameters
    ----------
    mean, pulsation : N m, not negative.
    pulses : pulses per turn of the shaft.
    shape : course of the pulsation.
    pull : N m, torque that acts whatever the motion (a hanging weight), clockwise positive.
    """

    mean: float = 0.0
    pulsation: float = 0.0
    pulses: int = 6
    shape: Pulsation = Pulsation.ROLLER
    pull: float = 0.0

    def __post_init__(self) -> None:
        if not (0 <= self.mean < math.inf and 0 <= self.pulsation < math.inf):
            raise ValueError("load: mean and pulsation must be finite and not negative")
        if self.pulses < 0 or not math.isfinite(self.pull):
            raise ValueError("load: pulses must not be negative and pull must be finite")


@inlined
def sine(turns: float) -> float:
    """Sine of an angle in turns, to 4e-6: the Taylor series up to the ninth power."""
    x = turns - math.floor(turns + 0.5)
    a = 0.25 - abs(abs(x) - 0.25)
    b = a * a
    series = a * (_S1 + b * (_S3 + b * (_S5 + b * (_S7 + b * _S9))))
    return series if x >= 0.0 else -series


@inlined
def load_torque(mean: float, pulsation: float, pulses: float, shape: int, turns: float) -> float:
    """Load torque in N m, at a shaft angle in turns; see `LoadParameters`."""
    if pulsation == 0.0:
        return mean
    if shape == 0:
        wave = sine(pulses * turns)
    else:
        wave = (abs(sine(0.5 * pulses * turns)) - _MEAN) / _CREST
    return max(0.0, mean + pulsation * wave)
