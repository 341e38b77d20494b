"""Speed and progress of the rotor from the instants at which it passed sectors.

Both sensing methods hand in the same event: the rotor passed one sector, in this direction, at this
time. Speed is the number of sectors over the time they took, over at least `speed_window` and at
most one electrical turn: one turn averages the placement errors of the Hall sensors out, pairs of
sectors average an offset of the back-EMF out, and at low speed fewer sectors keep the delay short.
"""

from __future__ import annotations

from typing import Any

from hil.twin.jit import inlined

_RING = 7  # index mask of the ring of times
_TURN = 6  # sectors per electrical turn
_BEYOND = 1.5  # times the highest speed: sectors that pass faster are glitches on a wire
_SLOWING = 1.5  # intervals without an event before the rotor is taken to be slowing


@inlined
def sector_passed(s: Any, step: int, when: float) -> None:
    """Note that the rotor passed a sector clockwise (`step` 1) or back (-1) at tick `when`."""
    if step != s.motion:
        s.motion = step
        s.count = 0
        s.speed = 0.0
    s.head = (s.head + 1) & _RING
    s.times[s.head] = when
    if s.count <= _TURN:
        s.count += 1
    s.advance += step * s.direction
    if s.advance > s.furthest:
        s.furthest = s.advance
        s.progress_at = s.tick


@inlined
def forget_progress(s: Any) -> None:
    """Start to count progress anew: the drive has just been told to move."""
    s.advance = 0
    s.furthest = 0
    s.progress_at = s.tick


@inlined
def forget_rotor(s: Any) -> None:
    """Throw the times away: the rotor was moved by other means, or stands."""
    s.count = 0
    s.speed = 0.0


@inlined
def estimate_speed(s: Any) -> None:
    """Bring `speed` up to date; once per slow step."""
    since = s.tick - s.times[s.head]
    if s.count == 0 or since > s.standstill_ticks:
        if since > s.standstill_ticks:
            forget_rotor(s)
    elif s.count > 1:
        newest = s.times[s.head]
        sectors = 1
        span = newest - s.times[(s.head - 1) & _RING]
        while sectors < s.count - 1 and (span < s.speed_window or (sectors & 1 and sectors > 1)):
            sectors += 1
            span = newest - s.times[(s.head - sectors) & _RING]
        interval = max(span / sectors, since / _SLOWING)
        if interval > s.sector_rate / (_BEYOND * s.max_speed):
            s.speed = s.motion * s.sector_rate / interval * s.speed_scale
            s.speed *= 1.0 - s.drift * s.tick * s.period
            if s.motion < 0:
                s.speed *= s.speed_scale_reverse
    s.speed_seen += s.report_share * (s.speed - s.speed_seen)
