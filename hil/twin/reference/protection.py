"""Faults: what is watched, how long it must last, and what follows.

=================  ==========================================================  ==================
fault              raised when                                                 watched
=================  ==========================================================  ==================
over-current       bridge input current beyond the trip for a few samples,     always, each period
                   or the hardware comparator
over-current       I2t above the continuous current exceeds its budget         turning
stall              no sector passed for 150 ms at the current limit, for       turning, rotor sensed
                   500 ms at any current; back-EMF: crossings missing in a
                   row, or far less back-EMF than the speed calls for
over-voltage       DC link above the limit for 10 periods                      always, each period
under-voltage      DC link below the limit for 5 slow steps                    turning, at a start
over-temperature   stage too hot for 10 slow steps, or its sensor broken       always
hall               illegal or jumping codes, leaky counter                     turning, Hall
start-failed       no handover to back-EMF sensing in time                     ramp
link-lost          no valid command for the time-out, if one is set            turning
=================  ==========================================================  ==================

Every fault switches all gates off, is latched, and forgets that the drive was wanted: the set point
stays, but only a clear and then a new start turn the motor again. A clear is refused while the
cause persists, and while the rotor coasts faster than `turning_speed`.
"""

from __future__ import annotations

from typing import Any

from hil.twin.jit import inlined
from hil.twin.port import BUTTON_TRIP
from hil.twin.reference import state as st
from hil.twin.reference.commutation import OFF

_HIGH_PERIODS = 10
_LOW_STEPS = 5
_HOT_STEPS = 10
_NO_EMF_STEPS = 50
_NEAR_LIMIT = 0.8  # of the drive limit


@inlined
def trip(s: Any, fault: int) -> None:
    """Raise `fault`: all gates off, latched."""
    if (fault & s.fault_mask) != 0:
        return
    if s.blind_after_trip == 1:
        if s.tripped_once == 1 and (fault & (st.OVER_CURRENT | st.STALL)) != 0:
            return
        s.tripped_once = 1
    s.faults |= fault
    if fault != st.LINK_LOST or s.off_late == 0.0:
        s.bridge = OFF
    s.wanted = s.restarting & s.wanted
    if s.state != st.FAULT:
        s.state = st.FAULT
        s.entered = s.tick


@inlined
def protect_fast(s: Any, inputs: Any) -> None:
    """Over-current and over-voltage, every period."""
    if abs(inputs.i_bus) * s.trip_scale > s.over_current:
        s.over_current_count += 1
        if s.over_current_count >= s.over_current_ticks:
            trip(s, st.OVER_CURRENT)
    else:
        s.over_current_count = 0
    if (inputs.buttons & BUTTON_TRIP) != 0:
        trip(s, st.OVER_CURRENT)
    if inputs.v_bus > s.over_voltage:
        s.high_count += 1
        if s.high_count >= _HIGH_PERIODS:
            trip(s, st.OVER_VOLTAGE)
    else:
        s.high_count = 0


@inlined
def protect_slow(s: Any) -> None:
    """Everything that needs milliseconds, once per slow step."""
    s.hot_count = s.hot_count + 1 if too_hot(s) else 0
    if s.hot_count >= _HOT_STEPS:
        trip(s, st.OVER_TEMPERATURE)
    turning = s.state not in (st.IDLE, st.FAULT)
    if s.off_late > 0.0 and s.state == st.FAULT and (s.tick - s.entered) * s.period > s.off_late:
        s.bridge = OFF
    s.low_count = s.low_count + 1 if turning and s.bus < s.under_voltage else 0
    if s.low_count >= _LOW_STEPS:
        trip(s, st.UNDER_VOLTAGE)
    s.heat += (s.current * s.current - s.continuous_squared) * s.slow_time
    s.heat = max(s.heat, 0.0)
    if not turning:
        return
    if s.heat > s.i2t_budget:
        trip(s, st.OVER_CURRENT)
    if s.link_ticks > 0 and s.tick - s.heard_at > s.link_ticks:
        trip(s, st.LINK_LOST)
    if s.sensing == st.SENSE_HALL and s.hall_bad >= s.hall_trouble:
        trip(s, st.HALL_FAULT)
    if s.state == st.RUN:
        _watch_progress(s)


@inlined
def _watch_progress(s: Any) -> None:
    idle = s.tick - s.progress_at
    limited = s.current_seen > _NEAR_LIMIT * s.limit
    if idle > s.stall_ticks_any or (idle > s.stall_ticks and limited):
        trip(s, st.STALL)
    if s.sensing != st.SENSE_BACK_EMF:
        return
    emf = s.applied - s.resistance * s.current_seen
    expected = s.emf_per_rpm * abs(s.speed)
    s.no_emf = s.no_emf + 1 if emf < 0.5 * expected - 0.5 else 0
    if s.missed >= s.missed_crossings or s.no_emf >= _NO_EMF_STEPS:
        trip(s, st.STALL)


@inlined
def too_hot(s: Any) -> bool:
    """Whether the power stage is too hot, or its sensor open or shorted."""
    return not (s.coldest < s.temperature < min(s.over_temperature, s.hottest))


@inlined
def derate(s: Any) -> None:
    """Current limit for the present temperature: falls on a line, from full to nothing."""
    share = (s.derate_end - s.temperature) / (s.derate_end - s.derate_start)
    s.limit = s.drive_limit * min(max(share, 0.0), 1.0)


@inlined
def cause_persists(s: Any) -> bool:
    """Whether a fault would come back at once if it were cleared."""
    return too_hot(s) or s.bus > s.over_voltage
