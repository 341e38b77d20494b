"""What each command of the host does; both protocols end here.

Codes of the answer: 0 done, 1 busy (the motor turns), 2 a fault is latched or persists, 3 value out
of range, 4 not a command.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import inlined
from hil.twin.reference import state as st
from hil.twin.reference.commutation import OFF
from hil.twin.reference.messages import whole
from hil.twin.reference.protection import cause_persists
from hil.twin.reference.sequencer import begin, enter
from hil.twin.reference.speed import forget_rotor

IDENTIFY, START, SPEED, STOP, CLEAR, SENSE, STREAM = 1, 2, 3, 4, 5, 6, 7
DONE, BUSY, LATCHED, RANGE, UNKNOWN = 0, 1, 2, 3, 4

_FASTEST_STREAM = 1000  # Hz


@inlined
def execute(s: Any, command: int, value: int) -> int:
    """Obey or refuse one command; `value` is in rpm, Hz or a number, as the command has it."""
    s.heard_at = s.tick
    code = DONE
    if command == START:
        code = _start(s, value)
    elif command == SPEED:
        code = _set_speed(s, value)
    elif command == STOP:
        code = _stop(s)
    elif command == CLEAR:
        code = _clear(s)
    elif command == SENSE:
        code = _select_sensing(s, value)
    elif command == STREAM:
        code = _stream(s, value)
    elif command != IDENTIFY:
        code = UNKNOWN
    return code


@inlined
def _allowed(s: Any, speed: int) -> bool:
    magnitude = abs(speed)
    return magnitude == 0 or s.check_range == 0 or s.min_speed <= magnitude <= s.max_speed


@inlined
def _stop(s: Any) -> int:
    if abs(s.speed) > s.stop_deaf_above:
        return DONE
    s.target = 0.0
    s.wanted = 0
    if s.stop_clears == 1 and s.state == st.FAULT:
        s.faults = 0
        enter(s, st.IDLE)
    if s.stop_coasts == 1 and s.state != st.FAULT:
        s.bridge = OFF
        enter(s, st.IDLE)
    return DONE


@inlined
def _set_point(s: Any, speed: int) -> float:
    """The speed asked for, as the drive takes it; anything but `speed` itself is a seam."""
    if s.speed_step > 0:
        speed = int(speed / s.speed_step) * s.speed_step
    return float(speed * s.turn_sign)


@inlined
def _start(s: Any, speed: int) -> int:
    if s.state == st.FAULT and s.start_in_fault == 0:
        return LATCHED
    if not _allowed(s, speed):
        return RANGE
    if s.state == st.FAULT:
        s.faults = 0
        enter(s, st.IDLE)
    s.target = _set_point(s, speed)
    s.wanted = 0 if speed == 0 else 1
    if s.wanted == 1 and s.state == st.IDLE:
        s.attempt = 0
        if s.start_delay > 0.0:  # a seam: it waits in idle
            enter(s, st.IDLE)
        else:
            begin(s)
    return DONE


@inlined
def _set_speed(s: Any, speed: int) -> int:
    """Change the set point; 0 is a stop, and only a start ends a stop."""
    if not _allowed(s, speed):
        return RANGE
    wished = _set_point(s, speed)
    if wished * s.target < 0.0 and (s.reverse_ignored & (1 if wished < 0.0 else 2)) != 0:
        return DONE
    s.target = wished
    if s.speed_restarts == 1 and s.state == st.FAULT and speed != 0:
        s.faults = 0
        s.wanted = 1
        enter(s, st.IDLE)
        begin(s)
    if speed == 0:
        s.wanted = 0
    return DONE


@inlined
def _clear(s: Any) -> int:
    if s.state != st.FAULT:
        return DONE
    if s.clear_unchecked == 0:
        if s.coasting > s.turning_speed:
            return BUSY
        if cause_persists(s):
            return LATCHED
    s.faults = 0
    s.heat = 0.0
    s.hall_bad = 0
    s.attempt = 0
    if s.sensor_forgotten == 1:  # a seam
        s.coldest = -np.inf
    enter(s, st.IDLE)
    if s.wanted == 1:  # only with the seam `restarting`
        begin(s)
    return DONE


@inlined
def _select_sensing(s: Any, sensing: int) -> int:
    if s.state != st.IDLE and s.sense_turning == 0:
        return BUSY
    if sensing not in (st.SENSE_HALL, st.SENSE_BACK_EMF):
        return RANGE
    s.sensing = sensing
    s.sector = -1
    s.hall_bad = 0
    forget_rotor(s)
    return DONE


@inlined
def _stream(s: Any, rate: int) -> int:
    if not 0 <= rate <= _FASTEST_STREAM:
        return RANGE
    s.stream_ticks = 0 if rate == 0 else whole(s.stream_scale / (s.period * rate))
    s.stream_phase = 0
    return DONE
