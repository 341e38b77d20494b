"""Shape of the back-EMF and the Hall sensors, as functions of the electrical angle in turns."""

from __future__ import annotations

import math

import numpy as np

from hil.twin.jit import inlined


@inlined
def trapezoid(turns: float, steepness: float) -> float:
    """Back-EMF of one phase over its flat top.

    Parameters
    ----------
    turns : electrical angle from the middle of the positive flat, turns.
    steepness : 90 degrees over the electrical angle from the zero crossing to the flat top, 3 for
        a flat of 120 degrees.
    """
    away = float(abs(turns - np.rint(turns)))
    return min(1.0, max(-1.0, steepness - 4.0 * steepness * away))


@inlined
def high_for_half_a_turn(turns: float) -> int:
    """1 on [0, 0.5) of each turn, else 0."""
    return 1 if turns - math.floor(turns) < 0.5 else 0


@inlined
def hall_pattern(turns: float, a: float, b: float, c: float, inverted: int, closed: int) -> int:
    """Levels of the three sensor lines as bits.

    Parameters
    ----------
    turns : electrical angle in turns.
    a, b, c : rising edge of the sensor on each line, turns.
    inverted : bit per inverted line.
    closed : bit per unbroken line; a broken one is pulled up and reads high.
    """
    pattern = (
        high_for_half_a_turn(turns - a)
        | high_for_half_a_turn(turns - b) << 1
        | high_for_half_a_turn(turns - c) << 2
    )
    return (pattern ^ inverted) | (~closed & 7)
