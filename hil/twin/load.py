"""What the shaft drives: a load torque that opposes motion and pulsates with the shaft angle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from hil.twin.jit import inlined

#: Mean of a rectified sine, and what is left above it.
_MEAN = 2 / math.pi
_CREST = 1 - _MEAN
#: Minimax polynomials, in the square of an angle in turns: ``sin(tau x) / (x (1/4 - x^2))`` and
#: ``cos(pi x)``, both for x from -1/2 to 1/2.
_S0, _S2, _S4 = 25.13273038, -64.83468111, 67.04389803
_S6, _S8 = -38.12319678, 12.23330121
_C0, _C2, _C4 = 0.99999995, -4.93479286, 4.05841191
_C6, _C8 = -1.33188016, 0.2196968


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
    """Sine of an angle in turns, to 2e-7: zero where it must be, times a minimax polynomial."""
    x = turns - np.rint(turns)
    u = x * x
    return float(x * (0.25 - u) * (_S0 + u * (_S2 + u * (_S4 + u * (_S6 + u * _S8)))))


@inlined
def rectified_sine(turns: float) -> float:
    """``abs(sine(turns / 2))``, to 1e-7: from hump to hump a minimax polynomial of the cosine."""
    x = turns - math.floor(turns) - 0.5
    u = x * x
    return float(_C0 + u * (_C2 + u * (_C4 + u * (_C6 + u * _C8))))


@inlined
def load_torque(mean: float, pulsation: float, pulses: float, shape: int, turns: float) -> float:
    """Load torque in N m, at a shaft angle in turns; see `LoadParameters`."""
    if pulsation == 0.0:
        return mean
    if shape == 0:
        wave = sine(pulses * turns)
    else:
        wave = (rectified_sine(pulses * turns) - _MEAN) * (1.0 / _CREST)
    return max(0.0, mean + pulsation * wave)
