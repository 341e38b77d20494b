"""Quick steps, during which nothing happens.

`pair`: two phases conduct in series, the third carries nothing. That is how a six-step drive spends
most of its time, and it needs one current instead of three. `coast`: no phase carries anything.
The equations and their order are those of `kernel_step.step`.
"""

from __future__ import annotations

from typing import Any

from hil.twin.jit import compiled
from hil.twin.kernel_bridge import HIGH_DIODE, LOW_DIODE, OPEN
from hil.twin.kernel_motor import trapezoid
from hil.twin.kernel_step import acceleration, commit, reach, wrong_way
from hil.twin.kernel_supply import leads, link_course, supply_current, supply_turns

DONE = -1


@compiled
def pair(c: Any, s: Any, x: int, y: int, z: int, qx: int, qy: int, h: float) -> int:
    """Advance by `h` seconds, unless something happens on the way.

    Parameters
    ----------
    x, y : the phases that conduct, connected as `qx`, `qy` say. z : the open one.

    Returns
    -------
    `DONE`, and the ``seen_...`` fields hold the state in the middle of the step. Or, with `s` as
    it was: the diode through which the open phase starts to conduct; `OPEN` if it does not but
    another diode stops, the speed changes sign, or the supply starts or stops.
    """
    qx, qy = qx & 7, qy & 7
    link, speed, half = s.link, s.speed, 0.5 * h
    speed_mid = speed + half * s.acceleration
    turns = (s.angle + half * 0.5 * (speed + speed_mid)) * c.turns_per_rad
    sx = trapezoid(turns - c.crest[x], c.steepness)
    sy = trapezoid(turns - c.crest[y], c.steepness)
    sz = trapezoid(turns - c.crest[z], c.steepness)
    emf = s.flux * speed_mid
    ux, uy = s.rail[qx], s.rail[qy]
    ox, oy = s.offset[qx], s.offset[qy]
    p = s.resistance[qx] + s.resistance[qy]

    drop = c.diode_drop
    free = 0.5 * ((ux + uy) * link + ox + oy) + emf * (sz - 0.5 * (sx + sy))
    if free > link + drop:
        return HIGH_DIODE
    if free < -drop:
        return LOW_DIODE

    i = s.i[x]
    u = ux - uy
    gain, bend = leads(c, h)
    drain = u * i + s.conductance * link
    supply = supply_current(c, s, link, drain, gain)
    link_mid = link + half * (supply - drain) * c.inverse_capacitance

    over, bend = link_course(c, s, h, link_mid, supply, bend)
    inverse_l = 0.5 * c.inverse_inductance
    r = 2.0 * s.winding_r + p
    to_mean, to_end = reach(h, r * inverse_l)
    sag = u * inverse_l * bend  # V of the link for each V on the winding
    slope = u * over + ((ox - oy) - r * i - emf * (sx - sy))
    over -= sag * slope
    k = inverse_l * (1.0 - u * sag)  # apart from the slope, which waits for the link
    m, d = i + to_mean * k * slope, to_end * k * slope
    j = i + d
    if wrong_way(qx, j) or wrong_way(qy, -j):
        return OPEN

    rate = acceleration(c, s, s.flux * (sx - sy) * m, speed_mid)
    speed_end = speed + h * rate
    if speed * speed_end < 0.0:
        return OPEN

    leak = s.conductance * over
    drain = u * m + leak
    supply = supply_current(c, s, link, drain, gain)
    link_end = link + h * (supply - drain) * c.inverse_capacitance
    if supply_turns(s, link, link_end):
        return OPEN

    square = m * m + d * d * (1.0 / 12.0)
    lost = p * square - (ox - oy) * m
    s.i[x], s.i[y], s.i[z] = j, -j, 0.0
    s.q[x], s.q[y], s.q[z] = qx, qy, 0
    s.seen_i[x], s.seen_i[y], s.seen_i[z] = m, -m, 0.0
    s.seen_link, s.seen_turns, s.seen_emf = link_mid, turns, emf
    peak, bus, square = abs(j), u * j, 2.0 * square
    commit(c, s, h, over, link_end, supply, leak, square, lost, speed_end, rate, peak, bus)
    return DONE


@compiled
def coast(c: Any, s: Any, h: float) -> int:
    """Advance by `h` seconds with no current in any phase.

    Returns
    -------
    As for `pair`: `DONE`, or `OPEN` with `s` as it was, if the motor might begin to feed the
    link, the speed would change sign, or the supply start or stop.
    """
    link, speed, half = s.link, s.speed, 0.5 * h
    speed_mid = speed + half * s.acceleration
    emf = s.flux * speed_mid
    if 2.0 * abs(emf) > link:
        return OPEN
    rate = acceleration(c, s, 0.0, speed_mid)
    speed_end = speed + h * rate
    if speed * speed_end < 0.0:
        return OPEN
    gain, bend = leads(c, h)
    leak = s.conductance * link
    supply = supply_current(c, s, link, leak, gain)
    middle = link + half * (supply - leak) * c.inverse_capacitance
    over, _ = link_course(c, s, h, middle, supply, bend)
    leak = s.conductance * over
    supply = supply_current(c, s, link, leak, gain)
    change = h * (supply - leak) * c.inverse_capacitance
    if supply_turns(s, link, link + change):
        return OPEN
    for phase in range(3):
        s.q[phase] = OPEN
        s.i[phase] = 0.0
        s.seen_i[phase] = 0.0
    s.seen_link = link + 0.5 * change
    s.seen_turns = (s.angle + half * 0.5 * (speed + speed_mid)) * c.turns_per_rad
    s.seen_emf = emf
    commit(c, s, h, over, link + change, supply, leak, 0.0, 0.0, speed_end, rate, 0.0, 0.0)
    return DONE
