"""Rotor position from the back-EMF of the floating phase.

In the middle of each period one phase is switched to the DC link and one to ground, so the neutral
point lies at half the DC-link voltage plus half the back-EMF of the floating phase, and the
floating terminal passes half the DC link exactly when its own back-EMF passes zero. That happens in
the middle of a sector: the commutation is due 30 electrical degrees, half a sector, later.

After a commutation the phase that has just been switched off still carries current through a diode,
which ties its terminal to a rail and looks like a back-EMF of the wrong sign. Hence three rules:

* samples shortly after a commutation are blanked, and samples at a rail are ignored;
* a crossing counts only after the voltage was seen on its near side by more than a threshold, so a
  standing rotor, which shows half the DC link and noise, never makes one;
* if the first good sample is on the far side already, the rotor is ahead: commutate at once, and
  count it as a missed crossing.

The crossing is interpolated between two samples: a period is 5 electrical degrees at 4000 rpm.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import inlined
from hil.twin.reference.sixstep import FLOATING
from hil.twin.reference.speed import sector_passed

_RAIL = 0.04  # share of the DC-link voltage that counts as being at a rail
_PATIENCE = 1.8  # sectors after a commutation at which the crossing is given up
_CATCH_UP = 0.85  # of the interval, each time the rotor is found ahead
_TRUST = 1.6  # largest ratio of one interval to the next that is believed at once


@inlined
def commutated(s: Any) -> None:
    """Take the next pattern and begin to look for its crossing."""
    s.pattern = (s.pattern + s.direction) % 6
    s.commutated_at = s.tick
    s.due = np.inf
    s.armed = 0
    s.crossed = 0
    s.before = np.nan


@inlined
def watch_back_emf(s: Any, inputs: Any) -> None:
    """Look at the floating phase in the middle of the last period, and commutate when it is due."""
    if s.crossed == 0:
        _look(s, inputs)
    if s.tick >= s.due - 0.5:
        commutated(s)
    elif s.tick - s.commutated_at > _PATIENCE * s.interval and s.crossed == 0:
        s.missed += 1
        s.good = 0
        s.count = 0
        commutated(s)


@inlined
def _look(s: Any, inputs: Any) -> None:
    since = s.tick - s.commutated_at
    if since <= s.blank_ticks or since <= s.blank_share * s.interval:
        return
    bus = inputs.v_bus
    terminal = inputs.v_phase[FLOATING[s.pattern]]
    if terminal < _RAIL * bus or terminal > (1.0 - _RAIL) * bus:
        s.before = np.nan
        return
    # counted so that the crossing is always from negative to positive
    emf = terminal - 0.5 * bus
    if (s.pattern & 1) == (1 if s.direction < 0 else 0):
        emf = -emf
    if emf < -s.emf_threshold:
        s.armed = 1
    if s.armed == 1 and emf >= 0.0:
        when = s.tick - 0.5
        if s.before < 0.0:  # not true of NaN
            when -= emf / (emf - s.before)
        _crossing(s, when)
    elif s.armed == 0 and emf > s.emf_threshold:
        _crossed_unseen(s)
    s.before = emf


@inlined
def _crossed_unseen(s: Any) -> None:
    # some time since the commutation: no good for timing, but the rotor is ahead of the pattern
    s.crossed = 1
    s.missed += 1
    s.good = 0
    if s.count > 0:
        earliest = s.times[s.head] + s.interval / _TRUST
        sector_passed(s, s.direction, max(s.tick - 0.5, earliest))
    s.interval *= _CATCH_UP
    s.due = s.tick


@inlined
def _crossing(s: Any, when: float) -> None:
    s.crossed = 1
    s.good += 1
    s.missed = 0
    sector_passed(s, s.direction, when)
    if s.count > 1:
        # the mean of a rising and a falling interval is free of their difference; the last one
        # alone is nearer to the truth while the rotor accelerates
        interval = when - s.times[(s.head - 1) & 7]
        if s.count > 2:
            interval = min(interval, 0.5 * (when - s.times[(s.head - 2) & 7]))
        s.interval = min(max(interval, s.interval / _TRUST), s.interval * _TRUST)
    s.due = when + s.commutation_delay * s.interval + s.lag
    if s.direction < 0:
        s.due += s.lag_reverse
