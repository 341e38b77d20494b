"""How an instrument misreads: a gain and an offset error within its data sheet, and resolution."""

from __future__ import annotations

import math

import numpy as np

from hil.core.trace import Accuracy


class Meter:
    """Turns a true value into an indication.

    Parameters
    ----------
    accuracy : limits of error; gain and offset error are drawn once, uniformly within them.
    rng : where they are drawn from.
    shares : gain and offset error as shares of the limits, -1 to 1; NaN for the drawn one.
    """

    def __init__(
        self,
        accuracy: Accuracy,
        rng: np.random.Generator,
        shares: tuple[float, float] = (math.nan, math.nan),
    ) -> None:
        drawn = rng.uniform(-1.0, 1.0, 2)
        gain, offset = (
            one if math.isnan(given) else given for given, one in zip(shares, drawn, strict=True)
        )
        self.gain = 1.0 + float(gain) * accuracy.relative
        self.offset = float(offset) * accuracy.absolute
        self.resolution = accuracy.resolution

    def read(self, true: float) -> float:
        """Indication for the `true` value, in the same unit."""
        return quantise(true * self.gain + self.offset, self.resolution)


def quantise(value: float, step: float) -> float:
    """Nearest multiple of `step`; the value itself for a step of 0."""
    return round(value / step) * step if step > 0.0 else value
