"""The compiled loop over PWM periods: firmware call, switching, integration, bookkeeping.

The state lags behind the end of the last period, see `kernel_period`, and where the calls of
`advance` end makes no difference to that. Who wants to know it then lets a copy of it `finish`.
"""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import carray, compiled, inlined, pointer, spliced
from hil.twin.kernel_heat import warm
from hil.twin.kernel_memory import CONSTANTS, SHAFT_LOG, STATE
from hil.twin.kernel_period import catch_up, integrate
from hil.twin.kernel_sense import look, sample
from hil.twin.kernel_serial import NOWHERE, PERIOD, receive, transmit
from hil.twin.load import load_torque, sine
from hil.twin.port import INPUTS, OUTPUTS, OUTPUTS_AT, call_period

#: Interval of the shaft log, of the supply's mean readings and of the thermal model, s.
LOG_INTERVAL = 1e-3

_TURNS = 1.0 / math.tau
#: What a firmware did wrong: codes of ``STATE.fault``.
FAULT_DUTY, FAULT_DRIVE, FAULT_TRANSMIT, FAULT_GONE = 1, 2, 3, 4


@spliced
def hold_torques(c: Any, s: Any) -> None:
    """Set the torques that count as constant during the coming period, from its middle angle.

    More exactly the middle of what is integrated, which begins by the lag earlier.
    """
    turns = (s.angle + 0.5 * c.period * s.speed) * _TURNS
    load = load_torque(c.load_mean, c.load_pulsation, c.load_pulses, c.load_shape, turns)
    cogging = c.cogging * sine(c.cogging_cycles * turns) if c.cogging != 0.0 else 0.0
    s.load, s.cogging, s.braking = load, cogging, s.brake
    s.driving = c.load_pull - cogging
    s.opposing = c.coulomb + load + s.brake
    s.holding = c.breakaway + load + s.brake


@inlined
def settle(c: Any, s: Any) -> None:
    """Book the energies of what was integrated since the last call."""
    lead = c.supply_resistance * s.square_charge
    s.e_lead += lead
    s.e_supply += lead
    s.e_copper += s.winding_r * s.square
    s.e_viscous += c.viscous * s.square_speed
    s.e_coulomb += c.coulomb * s.travel
    s.e_load += s.load * s.travel
    s.e_brake += s.braking * s.travel
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
def keeps_up(c: Any, s: Any) -> bool:
    """Whether periods are integrated to their ends, because something changes with each of them.

    Amplifiers follow from step to step; the shaft breaks away at the start of a step; and a supply
    on its way to its set point goes one step a period.
    """
    return bool(
        c.amplifier_rate != 0.0 or s.speed == 0.0 or (s.supply_on != 0 and s.source != s.supply_set)
    )


@inlined
def due(s: Any, end: float) -> bool:
    """Whether something is to be logged when a period ends at `end`, s."""
    return bool(end >= s.next_log - 1e-9)


@inlined
def log(c: Any, s: Any, end: float) -> None:
    """Every millisecond: shaft sample, mean supply readings, heat."""
    place = s.logged % SHAFT_LOG
    back = end - s.next_log
    s.log_time[place] = s.next_log
    s.log_angle[place] = s.angle - back * s.speed
    s.log_speed[place] = s.speed
    s.logged += 1
    s.next_log = LOG_INTERVAL * (s.logged + 1)
    elapsed = end - s.log_start
    s.mean_current = s.charge / elapsed
    s.mean_voltage = s.link_area / elapsed + c.supply_resistance * s.mean_current
    iron = (s.e_viscous + s.e_coulomb - s.booked_iron) / elapsed
    copper = (s.e_copper - s.booked_copper) / elapsed
    switch = (s.e_switch - s.booked_switch) / elapsed
    s.booked_iron = s.e_viscous + s.e_coulomb
    s.booked_copper, s.booked_switch = s.e_copper, s.e_switch
    s.charge, s.link_area, s.log_start = 0.0, 0.0, end
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
def finish(constants: int, state: int) -> None:
    """Bring the state to the end of the last period, with what held during it."""
    c = carray(pointer(constants), 1, CONSTANTS)[0]
    s = carray(pointer(state), 1, STATE)[0]
    catch_up(c, s)
    settle(c, s)


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
    before, period = s.steps, c.period
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
        end = (s.periods + 1) * period
        integrate(c, s, da, ta, db, tb, dc, tc, due(s, end) or keeps_up(c, s))
        settle(c, s)
        s.periods += 1
        if due(s, end):
            log(c, s, end)
    return int(s.steps - before)
