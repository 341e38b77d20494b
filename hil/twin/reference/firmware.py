"""The three functions that the bench calls: the PWM interrupt and both ends of the serial line.

Order within a period: measure, protect, sense the rotor (and commutate), sequence and regulate
(every `slow_ticks` periods), limit the current, command the legs, send telemetry.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from hil.twin.jit import c_function, carray, inlined, moved
from hil.twin.port import (
    BUFFER_SIZE,
    BUTTON_STOP,
    INPUTS,
    INPUTS_AT,
    OUTPUTS,
    PERIOD,
    RECEIVE,
    RX_AT,
    STATE_AT,
    TRANSMIT,
    TX_AT,
)
from hil.twin.reference import state as st
from hil.twin.reference.commutation import DRIVEN, OFF, write_outputs
from hil.twin.reference.messages import take
from hil.twin.reference.protection import derate, protect_fast, protect_slow
from hil.twin.reference.regulator import limit_voltage
from hil.twin.reference.sensing_back_emf import watch_back_emf
from hil.twin.reference.sensing_hall import commutate_by_hall, track_hall
from hil.twin.reference.sequencer import begin, step_fast, step_slow
from hil.twin.reference.serial_cobs import receive_cobs_byte
from hil.twin.reference.serial_lines import receive_line_byte
from hil.twin.reference.speed import estimate_speed, forget_rotor
from hil.twin.reference.state import STATE
from hil.twin.reference.telemetry import stream

_BYTE = np.dtype("u1")
_CURRENT_SEEN = 0.005  # share of a new sample in the filtered current: 10 ms at 20 kHz
_BUS_SEEN = 0.1  # the same for the DC-link voltage: 0.5 ms at 20 kHz
_LED_TURNING, _LED_FAULT, _LED_BACK_EMF = 1, 2, 4


@inlined
def run_period(s: Any, inputs: Any, outputs: Any) -> None:
    """One PWM period of the control loop."""
    s.tick += 1
    s.time_us = 1e6 * (inputs.time - s.booted)
    _measure(s, inputs)
    if s.current_seen > s.reset_above:
        _restart(s)
    protect_fast(s, inputs)
    if s.sensing == st.SENSE_HALL:
        track_hall(s, inputs.hall)
        commutate_by_hall(s)
    elif s.bridge == DRIVEN and (s.state != st.RAMP or s.caught >= 0) and s.state != st.ALIGN:
        watch_back_emf(s, inputs)
    step_fast(s)
    s.slow_phase += 1
    if s.slow_phase >= s.slow_ticks:
        s.slow_phase = 0
        _slow(s, inputs)
    if s.bridge == DRIVEN:
        limit_voltage(s)
    write_outputs(s, outputs)
    stream(s)


@inlined
def _restart(s: Any) -> None:
    """What a reset leaves behind (a seam): nothing was asked, the telemetry goes on from 0.

    So does its clock.
    """
    s.booted += 1e-6 * s.time_us
    s.time_us = 0.0
    s.state = st.IDLE
    s.bridge = OFF
    s.wanted = 0
    s.target = 0.0
    s.current_seen = 0.0
    s.sequence = 0
    forget_rotor(s)


@inlined
def _measure(s: Any, inputs: Any) -> None:
    # while the windings are shorted or float, their current does not pass the bridge input
    s.current = inputs.i_bus if s.bridge == DRIVEN else 0.0
    magnitude = abs(s.current)
    s.current_seen += _CURRENT_SEEN * (magnitude - s.current_seen)
    s.peak = max(s.peak, abs(inputs.i_bus))
    s.bus += _BUS_SEEN * (inputs.v_bus - s.bus)


@inlined
def _slow(s: Any, inputs: Any) -> None:
    s.temperature = inputs.t_stage
    v = inputs.v_phase
    if s.bridge == OFF:
        s.coasting = (max(v[0], v[1], v[2]) - min(v[0], v[1], v[2])) / s.emf_per_rpm
    if (inputs.buttons & BUTTON_STOP) != 0:
        s.wanted = 0
    if s.tick * s.period > s.quit_after:
        s.wanted = 0
    if s.state == st.IDLE and s.entered == 0 and s.tick * s.period > s.wake_after:
        _wake(s)
    if s.wanted == 1 and s.state == st.IDLE and s.start_delay > 0.0:
        _put_off(s)
    estimate_speed(s)
    derate(s)
    protect_slow(s)
    step_slow(s)


@inlined
def _wake(s: Any) -> None:
    """Start although nobody asked for it (a seam)."""
    s.target = s.min_speed
    s.wanted = 1
    begin(s)


@inlined
def _put_off(s: Any) -> None:
    """Start once it has been wanted for long enough (a seam)."""
    if (s.tick - s.entered) * s.period >= s.start_delay:
        begin(s)


@inlined
def _leds(s: Any) -> int:
    leds = 0
    if s.bridge != OFF:
        leds |= _LED_TURNING
    if s.state == st.FAULT:
        leds |= _LED_FAULT
    if s.sensing == st.SENSE_BACK_EMF:
        leds |= _LED_BACK_EMF
    return leds


@c_function(PERIOD)
def period(inputs: Any, outputs: Any) -> None:
    """``port_period`` of the firmware port."""
    i = carray(inputs, 1, INPUTS)[0]
    o = carray(outputs, 1, OUTPUTS)[0]
    s = carray(moved(inputs, STATE_AT - INPUTS_AT), 1, STATE)[0]
    run_period(s, i, o)
    o.leds = _leds(s)


@c_function(RECEIVE)
def receive(data: Any, count: int) -> None:
    """``port_receive`` of the firmware port."""
    received = carray(data, BUFFER_SIZE, _BYTE)
    s = carray(moved(data, STATE_AT - RX_AT), 1, STATE)[0]
    for index in range(count):
        if s.protocol == st.LINES:
            receive_line_byte(s, received[index])
        else:
            receive_cobs_byte(s, received[index])


@c_function(TRANSMIT)
def transmit(data: Any, capacity: int) -> int:
    """``port_transmit`` of the firmware port."""
    s = carray(moved(data, STATE_AT - TX_AT), 1, STATE)[0]
    return take(s, carray(data, BUFFER_SIZE, _BYTE), capacity)
