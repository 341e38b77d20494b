"""When the drive does what: idle, align, ramp, run, brake, fault.

Starts
    Hall: straight to run; the sensors know the sector at standstill.
    Back-EMF: align (two patterns one after the other, because a rotor exactly opposite to the first
    feels no torque from it), ramp (commutate at a rising rate, not looking), catch (still called
    ramp: look for crossings, commutate by them, regulate), and run after enough crossings in a row.
Stop and reversal
    Brake: the set point ramps down, in closed loop, to a low speed. Then the windings are shorted
    until the rotor stands; a reversal with Hall sensing skips that and changes direction at once,
    one with back-EMF sensing aligns anew.
Fault
    See `protection`. Nothing here leaves the fault state; only the clear command does.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import inlined
from hil.twin.reference import state as st
from hil.twin.reference.commutation import DRIVEN, OFF, SHORTED
from hil.twin.reference.protection import cause_persists, trip
from hil.twin.reference.regulator import regulate_speed, release_limits, start_regulating
from hil.twin.reference.sensing_back_emf import commutated
from hil.twin.reference.sensing_hall import hall_pattern
from hil.twin.reference.speed import forget_progress, forget_rotor

_MASK = 0xFFFFFFFF
_ROUGH, _ROUGH_STEPS = 25.0, 50  # rpm and ms of a seam
_TIMED = 2  # crossings in a row from which on the speed is known
_LARGEST_RAMP = 0.9  # of the set point: a slow start must not overshoot in the ramp already


@inlined
def enter(s: Any, state: int) -> None:
    """Change state."""
    s.state = state
    s.entered = s.tick


@inlined
def chance(s: Any, odds: float) -> bool:
    """Throw dice (for seams); they are loaded by the noise of the DC-link measurement."""
    mixed = (s.dice + int(1e9 * s.bus) + s.tick) & _MASK
    for _ in range(2):
        mixed = ((mixed ^ (mixed >> 16)) * 0x45D9F3B) & _MASK
    s.dice = mixed ^ (mixed >> 16)
    return bool(s.dice < odds * _MASK)


@inlined
def begin(s: Any) -> None:
    """Start towards the target from standstill, or from a rotor that still turns slowly."""
    s.direction = -1 if s.target < 0.0 else 1
    forget_progress(s)
    s.heard_at = s.tick
    s.shorted = -1
    if s.start_missed > 0.0 and chance(s, s.start_missed):
        return
    if s.start_trips > 0.0 and chance(s, s.start_trips):
        trip(s, st.OVER_CURRENT)
    elif s.bus < s.under_voltage:
        trip(s, st.UNDER_VOLTAGE)
    elif s.sensing == st.SENSE_HALL:
        if s.sector < 0:
            trip(s, st.HALL_FAULT)
        else:
            s.pattern = hall_pattern(s)
            s.next_pattern = s.pattern
            start_regulating(s, s.speed * s.direction)
            s.bridge = DRIVEN
            enter(s, st.RUN)
    else:
        s.attempt += 1
        _align(s)


@inlined
def _align(s: Any) -> None:
    forget_rotor(s)
    s.pattern = 0
    s.proposed = 0.0
    release_limits(s)
    s.bridge = DRIVEN
    enter(s, st.ALIGN)


@inlined
def short_windings(s: Any) -> None:
    """Brake by shorting the windings through the low gates; the current is E/R and not seen."""
    s.bridge = SHORTED
    s.shorted = s.tick
    s.proposed = 0.0
    s.applied = 0.0


@inlined
def step_fast(s: Any) -> None:
    """The part of the sequence that is timed in PWM periods: align and ramp."""
    if s.state == st.ALIGN:
        s.proposed = min(s.proposed + s.align_rise, s.align_voltage)
        waited = s.tick - s.entered
        if waited == s.align_ticks[0]:
            s.pattern = (s.pattern + s.direction) % 6
        elif waited >= s.align_ticks[0] + s.align_ticks[1]:
            _ramp(s)
    elif s.state == st.RAMP and s.caught < 0:
        s.ramp_rate = min(s.ramp_rate + s.ramp_step, s.ramp_end)
        s.proposed = s.ramp_drop + s.emf_per_rpm * s.ramp_rate
        s.ramp_phase += s.ramp_rate / s.sector_rate
        if s.ramp_phase >= 1.0:
            s.ramp_phase -= 1.0
            commutated(s)
            if s.ramp_rate >= s.catch_share * s.ramp_end:
                _catch(s)


@inlined
def _ramp(s: Any) -> None:
    # the rotor points to the border of a sector: take the pattern that pulls it across
    s.pattern = (s.pattern + 2 * s.direction) % 6
    s.commutated_at = s.tick
    s.due = np.inf
    s.ramp_rate = s.ramp_first
    s.ramp_phase = 0.0
    s.ramp_end = min(s.ramp_speed, _LARGEST_RAMP * abs(s.target))
    s.caught = -1
    enter(s, st.RAMP)


@inlined
def _catch(s: Any) -> None:
    s.caught = s.tick
    s.interval = s.sector_rate / s.ramp_rate
    s.good = 0
    s.missed = 0
    s.no_emf = 0
    forget_rotor(s)
    s.motion = s.direction
    s.times[s.head] = s.tick
    s.speed = s.ramp_rate * s.direction


@inlined
def _lose_the_rotor(s: Any) -> None:
    """Align anew where the set point stays about `rough_speed` for too long (a seam)."""
    near = abs(s.ramped - s.rough_speed) < _ROUGH
    s.rough_count = s.rough_count + 1 if near else 0
    if s.rough_count > _ROUGH_STEPS:
        s.rough_count = 0
        begin(s)


@inlined
def step_slow(s: Any) -> None:
    """The rest of the sequence, once per slow step."""
    against = s.wanted == 1 and s.target * s.direction <= 0.0
    if s.state == st.RUN:
        if s.wanted == 0 or against:
            enter(s, st.BRAKE)
            s.shorted = -1
        else:
            regulate_speed(s, abs(s.target), s.proportional)
            if s.rough_speed > 0.0 and s.sensing == st.SENSE_BACK_EMF:
                _lose_the_rotor(s)
    elif s.state in (st.ALIGN, st.RAMP):
        if s.wanted == 0 or against:
            enter(s, st.BRAKE)
            short_windings(s)
        elif s.state == st.RAMP and s.caught >= 0:
            _try_handover(s)
    elif s.state == st.BRAKE:
        _brake(s, against)
    elif s.state == st.FAULT and s.latching == 0 and not cause_persists(s):
        s.faults = 0
        s.attempt = 0
        enter(s, st.IDLE)


@inlined
def _try_handover(s: Any) -> None:
    if s.good >= s.handover_crossings:
        s.attempt = 0
        forget_progress(s)
        enter(s, st.RUN)
    elif s.tick - s.caught > s.catch_ticks:
        if s.attempt >= s.start_attempts:
            trip(s, st.START_FAILED)
        else:
            begin(s)
        return
    if s.good == _TIMED:
        start_regulating(s, s.ramp_rate)
    if s.good >= _TIMED:
        regulate_speed(s, s.ramp_end, s.catch_proportional)
    else:
        # a rotor that lags needs the torque of the ramp, one that leads would run away with it
        late = s.crossed == 0 and s.tick - s.commutated_at > 0.5 * s.interval
        drop = s.ramp_drop if late else s.catch_drop
        s.proposed = drop + s.emf_per_rpm * s.ramp_rate


@inlined
def _brake(s: Any, against: bool) -> None:
    if s.shorted < 0:
        if s.wanted == 1 and not against:
            forget_progress(s)
            enter(s, st.RUN)
        elif s.speed * s.direction <= s.short_speed[s.sensing]:
            if against and s.sensing == st.SENSE_HALL:
                begin(s)
            else:
                short_windings(s)
        else:
            regulate_speed(s, 0.0, s.proportional)
    elif s.tick - s.shorted >= s.short_ticks:
        if s.wanted == 1:
            s.attempt = 0
            begin(s)
        else:
            s.bridge = OFF
            enter(s, st.IDLE)
