"""The compiled loop over PWM periods: firmware call, switching, integration, bookkeeping."""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import carray, compiled, inlined, pointer
from hil.twin.kernel_amplifier import amplify
from hil.twin.kernel_bridge import OPEN, connect, edges, gate, path
from hil.twin.kernel_heat import warm
from hil.twin.kernel_memory import CONSTANTS, SHAFT_LOG, STATE
from hil.twin.kernel_motor import trapezoid
from hil.twin.kernel_pair import DONE, coast, pair
from hil.twin.kernel_sense import look, sample
from hil.twin.kernel_serial import NOWHERE, PERIOD, receive, transmit
from hil.twin.kernel_step import step
from hil.twin.load import load_torque, sine
from hil.twin.port import INPUTS, OUTPUTS, OUTPUTS_AT, call_period

#: Interval of the shaft log, of the supply's mean readings and of the thermal model, s.
LOG_INTERVAL = 1e-3

#: Shorter stretches of time are not integrated, s.
_NOTHING = 1e-13
_TURNS = 1.0 / math.tau
NONE, SEVERAL = -1, -2
#: Bits of ``STATE.closed`` for the leads of the three phases.
LEADS = 0b111000

#: What a firmware did wrong: codes of ``STATE.fault``.
FAULT_DUTY, FAULT_DRIVE, FAULT_TRANSMIT, FAULT_GONE = 1, 2, 3, 4


@inlined
def open_phase(qa: int, qb: int, qc: int) -> int:
    """Which phase is open: `NONE`, 0, 1 or 2, or `SEVERAL`."""
    a, b, c = qa == OPEN, qb == OPEN, qc == OPEN
    count = a + b + c
    if count != 1:
        return NONE if count == 0 else SEVERAL
    return 0 if a else 1 if b else 2


@inlined
def try_pair(c: Any, s: Any, z: int, qa: int, qb: int, qc: int, h: float) -> int:
    """One `pair` step with phase `z` open."""
    if z == 0:
        return pair(c, s, 1, 2, 0, qb, qc, h)
    if z == 1:
        return pair(c, s, 0, 2, 1, qa, qc, h)
    return pair(c, s, 0, 1, 2, qa, qb, h)


@inlined
def general_step(c: Any, s: Any, ga: int, gb: int, gc: int, h: float) -> float:
    """Advance by at most `h` seconds, whatever the phases do; returns the time advanced."""
    turns, emf = s.angle * c.turns_per_rad, s.flux * s.speed
    ea = emf * trapezoid(turns - c.crest[0], c.steepness)
    eb = emf * trapezoid(turns - c.crest[1], c.steepness)
    ec = emf * trapezoid(turns - c.crest[2], c.steepness)
    qa, qb, qc = connect(c, s, ga, gb, gc, ea, eb, ec)
    return step(c, s, qa, qb, qc, h)


@inlined
def any_step(c: Any, s: Any, ga: int, gb: int, gc: int, h: float) -> float:
    """Advance by at most `h` seconds with these gates; returns the time advanced."""
    qa, qb, qc = path(ga, s.i[0]), path(gb, s.i[1]), path(gc, s.i[2])
    if s.closed & LEADS == LEADS:
        z = open_phase(qa, qb, qc)
        if z == NONE:
            return step(c, s, qa, qb, qc, h)
        if z >= 0:
            outcome = try_pair(c, s, z, qa, qb, qc, h)
            if outcome == DONE:
                return h
            qa = outcome if z == 0 else qa
            qb = outcome if z == 1 else qb
            qc = outcome if z == 2 else qc
            return step(c, s, qa, qb, qc, h)
    return general_step(c, s, ga, gb, gc, h)


@inlined
def next_step(c: Any, span: float) -> float:
    """Length of the next step, when `span` seconds are left."""
    if span <= c.longest:
        return span
    return float(c.longest if span > 2.0 * c.longest else 0.5 * span)


@compiled
def amplified_stretch(c: Any, s: Any, ga: int, gb: int, gc: int, span: float) -> None:
    """As `stretch`, with amplifiers that follow the currents."""
    while span > _NOTHING:
        ia, ib, ic = s.i[0], s.i[1], s.i[2]
        h = general_step(c, s, ga, gb, gc, next_step(c, span))
        amplify(c, s, h, ia, ib, ic)
        span -= h


@inlined
def stretch(c: Any, s: Any, ga: int, gb: int, gc: int, span: float) -> None:
    """Integrate `span` seconds during which no gate switches."""
    if c.amplifier_rate != 0.0:
        amplified_stretch(c, s, ga, gb, gc, span)
        return
    while span > _NOTHING:
        span -= any_step(c, s, ga, gb, gc, next_step(c, span))


@inlined
def over_the_middle(c: Any, s: Any, ga: int, gb: int, gc: int, span: float) -> bool:
    """Try to integrate `span` seconds, half of them before the sampling instant, in one step."""
    if span > c.longest or s.closed & LEADS != LEADS or c.amplifier_rate != 0.0:
        return False
    qa, qb, qc = path(ga, s.i[0]), path(gb, s.i[1]), path(gc, s.i[2])
    z = open_phase(qa, qb, qc)
    if z == SEVERAL:
        return qa == OPEN and qb == OPEN and qc == OPEN and coast(c, s, span) == DONE
    return z >= 0 and try_pair(c, s, z, qa, qb, qc, span) == DONE


@inlined
def hold_torques(c: Any, s: Any) -> None:
    """Set the torques that count as constant during the coming period, from its middle angle."""
    turns = (s.angle + 0.5 * c.period * s.speed) * _TURNS
    load = load_torque(c.load_mean, c.load_pulsation, c.load_pulses, c.load_shape, turns)
    cogging = c.cogging * sine(c.cogging_cycles * turns) if c.cogging != 0.0 else 0.0
    s.load, s.cogging = load, cogging
    s.driving = c.load_pull - cogging
    s.opposing = c.coulomb + load + s.brake
    s.holding = c.breakaway + load + s.brake


@inlined
def settle(c: Any, s: Any) -> None:
    """Book the energies of the period that has just passed."""
    lead = c.supply_resistance * s.square_charge
    s.e_lead += lead
    s.e_supply += lead
    copper = s.winding_r * s.square
    s.e_copper += copper
    s.e_viscous += c.viscous * s.square_speed
    s.e_coulomb += c.coulomb * s.travel
    s.e_load += s.load * s.travel
    s.e_brake += s.brake * s.travel
    s.e_cogging += s.cogging * s.way
    s.e_pull -= c.load_pull * s.way
    s.square, s.square_speed, s.square_charge, s.travel, s.way = 0.0, 0.0, 0.0, 0.0, 0.0


@inlined
def condition(c: Any, s: Any) -> None:
    """Move the supply's source towards its set point, and switch protection and chopper."""
    if s.supply_on != 0:
        room = c.slew * c.period
        s.source += min(room, max(-room, s.supply_set - s.source))
        if s.link + c.supply_resistance * s.supply_current > s.over_voltage:
            s.tripped, s.supply_on = 1, 0
    s.supply_most = s.supply_limit if s.supply_on != 0 else 0.0
    s.supply_least = -s.supply_most if c.two_way != 0 else 0.0
    if s.link > c.chopper_on:
        s.chopping = 1
    elif s.link < c.chopper_off:
        s.chopping = 0
    s.conductance = 1.0 / c.bleeder + (1.0 / c.chopper if s.chopping != 0 else 0.0)


@inlined
def log(c: Any, s: Any, end: float) -> None:
    """Every millisecond: shaft sample, mean supply readings, heat."""
    if end < s.next_log - 1e-9:
        return
    place = s.logged % SHAFT_LOG
    back = end - s.next_log
    s.log_time[place] = s.next_log
    s.log_angle[place] = s.angle - back * s.speed
    s.log_speed[place] = s.speed
    s.logged += 1
    s.next_log = LOG_INTERVAL * (s.logged + 1)
    elapsed = end - s.log_start
    s.mean_current = s.charge / elapsed
    s.mean_voltage = s.voltage_area / elapsed
    iron = (s.e_viscous + s.e_coulomb - s.booked_iron) / elapsed
    copper = (s.e_copper - s.booked_copper) / elapsed
    switch = (s.e_switch - s.booked_switch) / elapsed
    s.booked_iron = s.e_viscous + s.e_coulomb
    s.booked_copper, s.booked_switch = s.e_copper, s.e_switch
    s.charge, s.voltage_area, s.log_start = 0.0, 0.0, end
    warm(c, s, elapsed, copper, switch, iron)


@inlined
def blame(s: Any, fault: int, leg: int, value: float, time: float) -> None:
    """Note the first thing the firmware did wrong; the gates stay off from then on."""
    if s.fault == 0:
        s.fault, s.fault_leg, s.fault_value, s.fault_time = fault, leg, value, time


@inlined
def interrupt(c: Any, s: Any) -> None:
    """What the PWM interrupt does on a microcontroller."""
    s.inside = PERIOD
    call_period(c.port_period, pointer(c.block), pointer(c.block + OUTPUTS_AT))
    s.inside = NOWHERE


@inlined
def command(s: Any, outputs: Any, leg: int, time: float) -> None:
    """Check what the firmware commands one leg to do."""
    drive, duty = outputs.drive[leg], outputs.duty[leg]
    if drive > 2:
        blame(s, FAULT_DRIVE, leg, drive, time)
    elif drive != 0 and not 0.0 <= duty <= 1.0:
        blame(s, FAULT_DUTY, leg, duty, time)


@compiled
def begin(constants: int, state: int) -> None:
    """Set what follows from temperature and let the board take its first sample, all legs off."""
    c = carray(pointer(constants), 1, CONSTANTS)[0]
    s = carray(pointer(state), 1, STATE)[0]
    warm(c, s, 0.0, 0.0, 0.0, 0.0)
    look(c, s)
    sample(c, s, 0, 0, 0)


@compiled
def advance(constants: int, state: int, periods: int) -> int:
    """Simulate whole PWM periods.

    Parameters
    ----------
    constants, state : addresses of a `CONSTANTS` and a `STATE` record.
    periods : how many.

    Returns
    -------
    Steps of integration made.
    """
    c = carray(pointer(constants), 1, CONSTANTS)[0]
    s = carray(pointer(state), 1, STATE)[0]
    inputs = carray(pointer(c.block), 1, INPUTS)[0]
    outputs = carray(pointer(c.block + OUTPUTS_AT), 1, OUTPUTS)[0]
    before = s.steps
    period, instant = c.period, c.sampling_instant
    for _ in range(periods):
        time = s.periods * period
        condition(c, s)
        if s.rx_tail < s.rx_head and s.rx_next <= time:
            receive(c, s, time)
        inputs.time = time - s.started
        da, db, dc = outputs.drive[0], outputs.drive[1], outputs.drive[2]
        ta, tb, tc = outputs.duty[0], outputs.duty[1], outputs.duty[2]
        interrupt(c, s)
        if s.tx_free <= time and transmit(c, s, time) < 0:
            blame(s, FAULT_TRANSMIT, 0, 0.0, time)
        for leg in range(3):
            command(s, outputs, leg, time)
        if c.output_delay == 0:
            da, db, dc = outputs.drive[0], outputs.drive[1], outputs.drive[2]
            ta, tb, tc = outputs.duty[0], outputs.duty[1], outputs.duty[2]
        if s.fault != 0:
            da, db, dc = 0, 0, 0
        hold_torques(c, s)
        a1, a2, a3, a4, ar = edges(da, ta, period, c.dead_time)
        b1, b2, b3, b4, br = edges(db, tb, period, c.dead_time)
        c1, c2, c3, c4, cr = edges(dc, tc, period, c.dead_time)
        now, sampled = 0.0, False
        while now < period:
            ga, na = gate(now, a1, a2, a3, a4, ar)
            gb, nb = gate(now, b1, b2, b3, b4, br)
            gc, nc = gate(now, c1, c2, c3, c4, cr)
            end = min(na, nb, nc, period)
            if not sampled and end >= instant:
                if abs(now + end - 2.0 * instant) < _NOTHING and over_the_middle(
                    c, s, ga, gb, gc, end - now
                ):
                    sampled = True
                    sample(c, s, ga, gb, gc)
                    now = end
                    continue
                end = instant
            stretch(c, s, ga, gb, gc, end - now)
            now = end
            if not sampled and now == instant:
                sampled = True
                look(c, s)
                sample(c, s, ga, gb, gc)
        settle(c, s)
        s.voltage_area += period * (s.link + c.supply_resistance * s.supply_current)
        s.periods += 1
        log(c, s, s.periods * period)
    return int(s.steps - before)
