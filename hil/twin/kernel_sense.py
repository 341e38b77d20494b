"""What the board measures at the sampling instant of a PWM period, as a rule its middle."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from hil.twin.jit import carray, compiled, inlined, pointer
from hil.twin.kernel_amplifier import BUS
from hil.twin.kernel_bridge import HIGH_ON, OPEN, idle_neutral, neutral
from hil.twin.kernel_motor import hall_pattern, trapezoid
from hil.twin.port import BUTTON_TRIP, INPUTS

# compiled arithmetic on 64 bits needs every constant unsigned
_U8, _U12, _U16, _U25 = np.uint64(8), np.uint64(12), np.uint64(16), np.uint64(25)
_U27, _U32, _SUM = np.uint64(27), np.uint64(32), np.uint64(0xFFFF)
_BYTES = np.uint64(0x00FF00FF00FF00FF)
_SCRAMBLE = np.uint64(2685821657736338717)
#: Four bytes add up to 510 on average, with this reciprocal of their standard deviation.
_MEAN, _UNIT = 510.0, 1.0 / math.sqrt(4.0 * (256.0**2 - 1.0) / 12.0)


@inlined
def noise(s: Any) -> tuple[float, float]:
    """Next two samples of a nearly normal distribution, mean 0, standard deviation 1.

    Each is the sum of four bytes of a xorshift64* output (Marsaglia 2003, Vigna 2016), so it is
    bounded at 3.45; the generator's state is the drive's own.
    """
    x = s.seed
    x ^= x >> _U12
    x ^= x << _U25
    x ^= x >> _U27
    s.seed = x
    x *= _SCRAMBLE
    pairs = (x & _BYTES) + (x >> _U8 & _BYTES)
    fours = pairs + (pairs >> _U16)
    first, second = np.int64(fours & _SUM), np.int64(fours >> _U32 & _SUM)
    return (first - _MEAN) * _UNIT, (second - _MEAN) * _UNIT


@inlined
def convert(
    true: float,
    gain: float,
    offset: float,
    noise: float,
    step: float,
    per_step: float,
    low: float,
    high: float,
) -> float:
    """Reading of a converter: gain, offset, noise, range, quantisation.

    `per_step` is 1 over `step`; a `step` of 0 means none.
    """
    value = min(high, max(low, gain * true + offset + noise))
    return float(np.rint(value * per_step) * step) if step > 0.0 else value


@inlined
def terminal(s: Any, connection: int, current: float) -> float:
    """Voltage of a connected terminal, V."""
    return float(
        s.rail[connection] * s.seen_link + s.offset[connection] - s.resistance[connection] * current
    )


@inlined
def open_terminal(c: Any, s: Any, gate: int, closed: int, voltage: float) -> float:
    """Voltage of a terminal without current; with a broken lead the divider pulls it down."""
    if closed == 0:
        return float(s.seen_link) if gate == HIGH_ON else 0.0
    return float(min(s.seen_link + c.diode_drop, max(-c.diode_drop, voltage)))


@inlined
def signal_lines(s: Any) -> int:
    """Bit per unbroken line; some may be broken for a moment only."""
    closed: int = s.closed
    if s.periods < s.glitch_end:
        closed &= ~s.glitch_lines
    return closed


@inlined
def look(c: Any, s: Any) -> None:
    """Note the present state as what is to be sampled."""
    s.seen_i[0], s.seen_i[1], s.seen_i[2] = s.i[0], s.i[1], s.i[2]
    s.seen_link = s.link
    s.seen_turns = s.angle * c.turns_per_rad
    s.seen_emf = s.flux * s.speed


@compiled
def sample(c: Any, s: Any, ga: int, gb: int, gc: int) -> None:
    """Write what was last seen into the inputs of the next firmware call.

    Seen by `look`, or in the course of a quick step.
    """
    i = carray(pointer(c.block), 1, INPUTS)[0]
    turns, emf, link = s.seen_turns, s.seen_emf, s.seen_link
    ia, ib, ic = s.seen_i[0], s.seen_i[1], s.seen_i[2]
    ea = emf * trapezoid(turns - c.crest[0], c.steepness)
    eb = emf * trapezoid(turns - c.crest[1], c.steepness)
    ec = emf * trapezoid(turns - c.crest[2], c.steepness)
    qa, qb, qc = s.q[0] & 7, s.q[1] & 7, s.q[2] & 7
    va = terminal(s, qa, ia)
    vb = terminal(s, qb, ib)
    vc = terminal(s, qc, ic)
    if qa == OPEN and qb == OPEN and qc == OPEN:
        star = idle_neutral(ea, eb, ec, c.diode_drop)
    else:
        r = s.winding_r
        star = neutral(qa, qb, qc, va - r * ia, vb - r * ib, vc - r * ic, ea, eb, ec)
    if qa == OPEN:
        va = open_terminal(c, s, ga, s.closed & 8, star + ea)
    if qb == OPEN:
        vb = open_terminal(c, s, gb, s.closed & 16, star + eb)
    if qc == OPEN:
        vc = open_terminal(c, s, gc, s.closed & 32, star + ec)
    bus = s.rail[qa] * ia + s.rail[qb] * ib + s.rail[qc] * ic
    if c.amplifier_rate != 0.0:
        bus = s.amplified[BUS]
        ia, ib, ic = s.amplified[0], s.amplified[1], s.amplified[2]
    v1, v2, v3, v4, i1, i2, i3, i4 = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if c.voltage_noise > 0.0:
        v1, v2 = noise(s)
        v3, v4 = noise(s)
    if c.current_noise > 0.0:
        i1, i2 = noise(s)
    i.v_bus = _voltage(c, link, v1)
    i.v_phase[0] = _voltage(c, va, v2)
    i.v_phase[1] = _voltage(c, vb, v3)
    i.v_phase[2] = _voltage(c, vc, v4)
    i.i_bus = _current(c, bus, i1)
    if c.phase_shunts != 0:
        if c.current_noise > 0.0:
            i3, i4 = noise(s)
        i.i_phase[0] = _current(c, ia, i2)
        i.i_phase[1] = _current(c, ib, i3)
        i.i_phase[2] = _current(c, ic, i4)
    closed = signal_lines(s)
    i.t_stage = s.junction_t if closed & 64 else s.stand_in
    i.pot = s.pot
    i.hall = hall_pattern(turns, c.hall_a, c.hall_b, c.hall_c, c.hall_inverted, closed)
    trip = BUTTON_TRIP if s.bus_peak > c.comparator else 0
    i.buttons = s.buttons | trip
    s.bus_peak = 0.0


@inlined
def _voltage(c: Any, true: float, unit: float) -> float:
    return convert(
        true,
        c.voltage_gain,
        c.voltage_offset,
        c.voltage_noise * unit,
        c.voltage_step,
        c.voltage_per_step,
        0.0,
        c.voltage_limit,
    )


@inlined
def _current(c: Any, true: float, unit: float) -> float:
    return convert(
        true,
        c.current_gain,
        c.current_offset,
        c.current_noise * unit,
        c.current_step,
        c.current_per_step,
        -c.current_limit,
        c.current_limit,
    )
