"""One integration step between two switching edges.

Phase currents: exponential rule, with the back-EMF of the predicted middle of the step and the mean
link voltage. DC link behind the leads of the supply: see `kernel_supply`. Speed from the mean
torque, angle from the mean speed. All are of second order at least. A step ends early where a diode
current or the speed passes zero, and where the supply starts or stops.
"""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import compiled, inlined, spliced
from hil.twin.kernel_bridge import HIGH_DIODE, LOW_DIODE, connected
from hil.twin.kernel_motor import trapezoid
from hil.twin.kernel_supply import (
    SHORT,
    leads,
    link_course,
    supply_current,
    supply_turn,
    supply_turns,
    within_limits,
)

#: A step goes on for at least this fraction of its length, even if something happens at once.
_AT_ZERO = 1e-9
#: Diode currents that come to zero so near each other, as a fraction of the step, do so together.
_TOGETHER = 1e-6


@inlined
def zero_crossing(start: float, slope: float, change: float, h: float) -> float:
    """Instant in (0, h) at which a current is zero, s.

    It starts at `start` with `slope`, changes by `change` over `h`, and follows a parabola.
    """
    bend = (change / h - slope) / h
    t = -h * start / change
    t -= (start + t * (slope + t * bend)) / (slope + 2.0 * bend * t)
    return min(h, max(0.0, t))


@inlined
def wrong_way(connection: int, current: float) -> bool:
    """Whether a diode would carry current against its direction."""
    return (connection == LOW_DIODE and current < 0.0) or (
        connection == HIGH_DIODE and current > 0.0
    )


@inlined
def without(
    ia: float, ib: float, ic: float, za: bool, zb: bool, zc: bool
) -> tuple[float, float, float]:
    """Set the marked currents to exactly 0 and share what is missing among the others."""
    ia = 0.0 if za else ia
    ib = 0.0 if zb else ib
    ic = 0.0 if zc else ic
    rest = ia + ib + ic
    living = (ia != 0.0) + (ib != 0.0) + (ic != 0.0)
    if living < 2:
        return 0.0, 0.0, 0.0
    rest /= living
    return (
        ia - rest if ia != 0.0 else 0.0,
        ib - rest if ib != 0.0 else 0.0,
        ic - rest if ic != 0.0 else 0.0,
    )


@inlined
def acceleration(c: Any, s: Any, torque: float, speed_mid: float) -> float:
    """Acceleration in rad/s^2 with this mean motor torque.

    At rest the shaft holds while motor, cogging and pull together stay below the breakaway torque.
    """
    push = torque + s.driving
    if s.speed == 0.0:
        if abs(push) <= s.holding:
            return 0.0
        push -= math.copysign(s.opposing, push)
    else:
        push -= c.viscous * speed_mid + math.copysign(s.opposing, s.speed)
    return float(c.inverse_inertia * push)


@spliced
def commit(
    c: Any,
    s: Any,
    h: float,
    over: float,
    link: float,
    supply: float,
    leak: float,
    square: float,
    lost: float,
    speed: float,
    rate: float,
    peak: float,
    bus: float,
) -> None:
    """Take over the outcome of a step and book its energies.

    Parameters
    ----------
    over : mean link voltage that drove the currents. link, speed : at its end.
    supply, leak : mean currents out of the supply and through bleeder and chopper.
    square : mean sum of the squared phase currents. lost : power lost in switches and diodes.
    rate : acceleration.
    peak, bus : largest phase current, and bridge input current, at the end.
    """
    mean = 0.5 * (s.link + link)
    charge = h * supply
    if h * c.lead_rate > SHORT and within_limits(s, supply):  # the link does not go straight
        middle, mean = mean, over
        # what the leads turn into heat beyond that of the mean current
        s.e_lead += c.capacitance * (link - s.link) * (mean - middle)
    s.charge += charge
    s.link_area += h * mean
    s.square_charge += charge * supply
    s.e_supply += charge * mean
    s.e_bleeder += h * leak * mean
    s.square += h * square
    s.e_switch += h * lost
    way = 0.5 * h * (s.speed + speed)
    s.way += way
    s.travel += abs(way)
    s.square_speed += 0.5 * way * (s.speed + speed)
    s.angle += way
    s.link, s.speed, s.supply_current = link, speed, supply
    s.acceleration = rate if speed != 0.0 else 0.0
    s.link_peak = max(s.link_peak, link)
    s.current_peak = max(s.current_peak, peak)
    s.bus_peak = max(s.bus_peak, bus)
    s.steps += 1


@inlined
def zero_after(connection: int, start: float, slope: float, change: float, h: float) -> float:
    """Time after which a diode current is zero, s; `h` if it is not, or starts at zero."""
    if wrong_way(connection, start + change) and start != 0.0:
        return zero_crossing(start, slope, change, h)
    return h


@inlined
def reach(h: float, decay: float) -> tuple[float, float]:
    """How far mean and end of a current go on its first slope in `h` s, s each.

    `decay` through the resistance is in 1/s; right to third order.
    """
    x = h * decay
    to_mean = h * (0.5 - x * (1.0 / 6.0 - x * (1.0 / 24.0)))
    to_end = h * (1.0 - x * (0.5 - x * (1.0 / 6.0)))
    return to_mean, to_end


@inlined
def as_far_as(cut: float, h: float, to_end: float) -> tuple[float, float]:
    """`reach` in `cut` instead of `h` s: along the same parabolas, not as far."""
    curve = (to_end / h - 1.0) / h
    return cut * (0.5 + cut * curve * (1.0 / 3.0)), cut * (1.0 + cut * curve)


@spliced
def advance_phases(  # noqa: PLR0915 - three phases, kept in registers
    c: Any,
    s: Any,
    qa: int,
    qb: int,
    qc: int,
    na: float,
    nb: float,
    nc: float,
    share: float,
    inverse_l: float,
    h: float,
) -> float:
    """Advance as `step` does.

    Parameters
    ----------
    na, nb, nc : 1 for a connected phase, 0 for an open one. share : 1 over their number.
    inverse_l : 1/H of a connected phase.
    """
    ia, ib, ic, link, speed = s.i[0], s.i[1], s.i[2], s.link, s.speed
    la, lb = inverse_l * na, inverse_l * nb
    ua, ub, uc = s.rail[qa], s.rail[qb], s.rail[qc]
    oa, ob, oc = s.offset[qa], s.offset[qb], s.offset[qc]
    pa, pb, pc = s.resistance[qa], s.resistance[qb], s.resistance[qc]
    ra, rb, rc = s.winding_r + pa, s.winding_r + pb, s.winding_r + pc
    decay = (s.winding_r + (na * pa + nb * pb + nc * pc) * share) * c.inverse_inductance
    first_bus = ua * ia + ub * ib + uc * ic
    first_drain = first_bus + s.conductance * link
    half = 0.5 * h
    speed_mid = speed + half * s.acceleration
    turns = (s.angle + half * 0.5 * (speed + speed_mid)) * c.turns_per_rad
    sa = trapezoid(turns - c.crest[0], c.steepness)
    sb = trapezoid(turns - c.crest[1], c.steepness)
    sc = trapezoid(turns - c.crest[2], c.steepness)
    emf = s.flux * speed_mid

    # DC link: predict its middle, for the voltages of this step
    gain, bend = leads(c, h)
    supply = supply_current(c, s, link, first_drain, gain)
    link_mid = link + half * (supply - first_drain) * c.inverse_capacitance

    link_over, bend = link_course(c, s, h, link_mid, supply, bend)

    # phase currents: slope at the start, mean over the step, change; the resistance counts as the
    # same in all phases for the decay. All of it is linear in the link voltage, which is known last
    fa = na * (oa - emf * sa - ra * ia)
    fb = nb * (ob - emf * sb - rb * ib)
    fc = nc * (oc - emf * sc - rc * ic)
    star, lift = (fa + fb + fc) * share, (ua + ub + uc) * share
    fa, fb, va, vb = la * (fa - star), lb * (fb - star), la * (ua - lift), lb * (ub - lift)
    rise = (ua - uc) * va + (ub - uc) * vb
    rest = (ua - uc) * fa + (ub - uc) * fb
    link_over -= (rise * link_over + rest) * bend
    ka, kb = va * link_over + fa, vb * link_over + fb
    kc = -(ka + kb)
    bus_slope = rise * link_over + rest
    to_mean, to_end = reach(h, decay)
    da, db, dc = to_end * ka, to_end * kb, to_end * kc
    ja, jb, jc = na * (ia + da), nb * (ib + db), nc * (ic + dc)

    # end the step at the first zero of a diode current
    zeros = wrong_way(qa, ja) or wrong_way(qb, jb) or wrong_way(qc, jc)
    za, zb, zc = False, False, False
    if zeros:
        cut_a = zero_after(qa, ia, ka, da, h)
        cut_b = zero_after(qb, ib, kb, db, h)
        cut_c = zero_after(qc, ic, kc, dc, h)
        cut = min(cut_a, cut_b, cut_c)
        same = min(h, cut + _TOGETHER * h)
        za, zb, zc = cut_a < same, cut_b < same, cut_c < same
        cut = max(cut, _AT_ZERO * h)
        if cut < h:
            to_mean, to_end = as_far_as(cut, h, to_end)
            gain, _ = leads(c, cut)
            h = cut
            da, db, dc = to_end * ka, to_end * kb, to_end * kc
            ja, jb, jc = na * (ia + da), nb * (ib + db), nc * (ic + dc)

    leak = s.conductance * link_over

    # and at that of the speed, and where the supply starts or stops
    at_rest, shortened = False, False
    while True:
        ma, mb, mc = ia + to_mean * ka, ib + to_mean * kb, ic + to_mean * kc
        rate = acceleration(c, s, s.flux * (sa * ma + sb * mb + sc * mc), speed_mid)
        speed_end = speed + h * rate
        drain = first_bus + to_mean * bus_slope + leak
        supply = supply_current(c, s, link, drain, gain)
        link_end = link + h * (supply - drain) * c.inverse_capacitance
        turned, meets = speed * speed_end < 0.0, supply_turns(s, link, link_end)
        if shortened or not (turned or meets):
            break
        cut_speed = h * speed / (speed - speed_end) if turned else h
        cut_supply = supply_turn(c, s, link, drain, h) if meets else h
        cut = min(cut_speed, cut_supply)
        at_rest = turned and cut_speed == cut
        cut = max(cut, _AT_ZERO * h)
        if cut >= h:
            break
        to_mean, to_end = as_far_as(cut, h, to_end)
        gain, _ = leads(c, cut)
        h, shortened = cut, True
        za, zb, zc = False, False, False
        da, db, dc = to_end * ka, to_end * kb, to_end * kc
        ja, jb, jc = na * (ia + da), nb * (ib + db), nc * (ic + dc)

    if zeros:
        za, zb, zc = za or wrong_way(qa, ja), zb or wrong_way(qb, jb), zc or wrong_way(qc, jc)
        ja, jb, jc = without(ja, jb, jc, za, zb, zc)
    if at_rest:
        speed_end = 0.0

    # the mean square of a current that runs straight from one value to another
    xa = ma * ma + da * da * (1.0 / 12.0)
    xb = mb * mb + db * db * (1.0 / 12.0)
    xc = mc * mc + dc * dc * (1.0 / 12.0)
    lost = pa * xa + pb * xb + pc * xc - (oa * ma + ob * mb + oc * mc)
    s.i[0], s.i[1], s.i[2] = ja, jb, jc
    s.q[0], s.q[1], s.q[2] = qa, qb, qc
    peak = max(abs(ja), abs(jb), abs(jc))
    bus, square = ua * ja + ub * jb + uc * jc, xa + xb + xc
    commit(
        c,
        s,
        h,
        link_over,
        link_end,
        supply,
        leak,
        square,
        lost,
        speed_end,
        rate,
        peak,
        bus,
    )
    return h


@compiled
def step(c: Any, s: Any, qa: int, qb: int, qc: int, h: float) -> float:
    """Advance by at most `h` seconds with the phases connected as given.

    Returns
    -------
    Time advanced, s: less than `h` if a diode current or the speed has come to zero, or the supply
    starts or stops.
    """
    qa, qb, qc = qa & 7, qb & 7, qc & 7
    na, nb, nc = connected(qa), connected(qb), connected(qc)
    count = na + nb + nc
    share = 1.0 / 3.0 if count > 2.5 else 0.5
    inverse_l = c.inverse_inductance if count > 1.5 else 0.0
    return advance_phases(c, s, qa, qb, qc, na, nb, nc, share, inverse_l, h)


@compiled
def full_step(c: Any, s: Any, qa: int, qb: int, qc: int, h: float) -> float:
    """As `step`, with no phase open: compiled apart because that is shorter."""
    inverse_l = c.inverse_inductance
    return advance_phases(c, s, qa & 7, qb & 7, qc & 7, 1.0, 1.0, 1.0, 1.0 / 3.0, inverse_l, h)
