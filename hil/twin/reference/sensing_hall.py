"""Rotor position from three Hall sensors.

The sensors are read once per PWM period. A neighbouring sector is believed at once, because any
delay is a commutation error; a jump over a sector must be seen three times, because it is more
likely a glitch on a wire than a rotor. Illegal codes (all high, all low) never move the rotor:
they fill a leaky counter, and `protection` trips on it.
"""

from __future__ import annotations

from typing import Any

from hil.twin.jit import inlined
from hil.twin.reference.speed import sector_passed
from hil.twin.reference.state import RUN

_JUMP_SAMPLES = 3
_ILLEGAL, _JUMP = 4, 8  # weight in the trouble counter, which a good sample lowers by one
_FULL = 1000
_SLOW = 1200.0  # rpm, of a seam


@inlined
def track_hall(s: Any, code: int) -> None:
    """Follow the rotor through the Hall code sampled in the middle of the last period."""
    sector = s.hall_table[code & 7]
    if sector == s.sector:
        s.hall_jump = 0
        if s.hall_bad > 0:
            s.hall_bad -= 1
        return
    if sector < 0:
        s.hall_bad = min(s.hall_bad + _ILLEGAL, _FULL)
        return
    step = (sector - s.sector) % 6
    if s.sector >= 0 and step == 1:
        passed = 1
    elif s.sector >= 0 and step == 5:
        passed = -1
    else:  # a jump, or the first sample after power-up
        s.hall_jump += 1
        if s.hall_jump >= _JUMP_SAMPLES or s.sector < 0:
            if s.sector >= 0:
                s.hall_bad += _JUMP
            s.sector = sector
            s.hall_jump = 0
            s.count = 0
        return
    s.hall_jump = 0
    s.sector = sector
    sector_passed(s, passed, s.tick - 0.5)


@inlined
def hall_pattern(s: Any) -> int:
    """Pattern with the most torque in the commanded direction in the present sector."""
    pattern: int = s.sector + s.hall_shift
    if s.direction < 0:
        pattern += 3 + s.hall_shift_reverse
    return pattern % 6


@inlined
def _lag_reverse(s: Any) -> float:
    lag: float = s.lag_reverse
    if abs(s.speed) < _SLOW:
        lag += s.lag_slow_reverse
    return lag


@inlined
def commutate_by_hall(s: Any) -> None:
    """Switch to the pattern of the sector, at once; the lag is a seam and zero in good firmware."""
    if s.state < RUN or s.sector < 0:
        return
    pattern = hall_pattern(s)
    if pattern == s.pattern:
        s.next_pattern = pattern
        return
    if pattern != s.next_pattern:
        s.next_pattern = pattern
        s.due = s.tick + s.lag + (_lag_reverse(s) if s.direction < 0 else 0.0)
    if s.tick >= s.due:
        s.pattern = pattern
        s.commutated_at = s.tick
