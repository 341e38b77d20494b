"""One integration step between two switching edges.

Phase currents: exponential rule, with the back-EMF and the link voltage of the predicted middle of
the step. DC link behind the supply's resistance: exponential too. Speed from the mean torque, angle
from the mean speed. All are of second order at least. A step ends early where a diode current or
the speed passes zero.
"""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import compiled, inlined
from hil.twin.kernel_bridge import HIGH_DIODE, LOW_DIODE, connected
from hil.twin.kernel_motor import trapezoid

#: A diode current this close to its zero counts as zero, as a fraction of the step.
_AT_ZERO = 1e-9
#: Up to here, in time constants of the supply leads, five terms of the exponential will do.
_SHORT = 0.3
#: A link so near the source, times how far it goes beyond, is not worth a step of its own, V^2.
_MEETING = 1e-6


@inlined
def supply_gain(c: Any, h: float) -> float:
    """Mean conductance of the supply leads over a step of `h` s, siemens.

    The link charges through the leads as ``1 - exp(-x)`` with ``x = h / RC``. Here ``exp(x)`` is
    its series as far as ``x^4``, or the fourth power of that for ``x/4`` where `x` is not small:
    2e-4 off where a link settles twice within a step.
    """
    x = h * c.lead_rate
    if x < _SHORT:
        mean = 1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0)))
        return float(mean * c.lead_conductance / (1.0 + x * mean))
    quarter = 0.25 * x
    mean = 1.0 + quarter * (0.5 + quarter * (1.0 / 6.0 + quarter * (1.0 / 24.0)))
    once = quarter * mean  # exp(x/4) - 1, without the difference of near equals
    twice = once * (2.0 + once)
    mean *= 0.25 * (2.0 + once) * (2.0 + twice)
    return float(mean * c.lead_conductance / (1.0 + x * mean))


@inlined
def supply_current(c: Any, s: Any, link: float, drain: float, gain: float) -> float:
    """Mean current out of the supply over a step in which the link gives away `drain`, A."""
    mean = (s.source - c.supply_resistance * drain - link) * gain + drain
    return float(min(s.supply_most, max(s.supply_least, mean)))


@inlined
def link_mean(c: Any, s: Any, middle: float, supply: float) -> float:
    """Mean of the link voltage over a step, V.

    While the supply is within its limits, what its leads drop at their mean current; else the link
    goes straight, through `middle`.
    """
    within = s.supply_least < supply < s.supply_most
    return float(s.source - c.supply_resistance * supply if within else middle)


@inlined
def supply_turns(s: Any, before: float, after: float) -> bool:
    """Whether a one-way supply starts or stops feeding while the link goes from one to other."""
    if before <= s.source and after <= s.source:  # as nearly always
        return False
    one_way = s.supply_least == 0.0 and s.supply_most > 0.0
    return bool(one_way and (s.source - before) * (s.source - after) < -_MEETING)


@inlined
def supply_turn(c: Any, s: Any, link: float, drain: float, h: float) -> float:
    """Instant in (0, h) at which the link meets the source, s; `h` if it does not.

    While the supply feeds, the link follows its leads: ``exp``; else it goes straight.
    """
    gap, fall = s.source - link, c.supply_resistance * drain
    if gap > 0.0:
        return float(min(h, math.log(1.0 - gap / fall) / c.lead_rate)) if fall < 0.0 else h
    return float(min(h, -gap / (drain * c.inverse_capacitance))) if drain > 0.0 else h


@inlined
def link_bend(c: Any, h: float, gain: float) -> float:
    """By how many V the link lies lower in the mean for each A/s by which the drain rises, ohm s.

    ``h^2 / 6C`` without leads, and less by about what they supply meanwhile; over a long step
    ``R h (1/2 - 1/x + (1 - exp(-x)) / x^2)`` with ``x = h / RC``.
    """
    x = h * c.lead_rate
    if x < _SHORT:
        return float(h * h * c.inverse_capacitance * (gain * c.supply_resistance) * (1.0 / 6.0))
    return float(h * c.supply_resistance * (0.5 - (1.0 - gain * c.supply_resistance) / x))


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


@inlined
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
    speed_mid: float,
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
    speed_mid, rate : speed in the middle and acceleration.
    peak, bus : largest phase current, and bridge input current, at the end.
    """
    mean = 0.5 * (s.link + link)
    charge = h * supply
    if h * c.lead_rate > _SHORT:  # the link does not go straight
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
    s.square_speed += h * speed_mid * speed_mid
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


@compiled
def step(  # noqa: PLR0915 - three phases, kept in registers
    c: Any, s: Any, qa: int, qb: int, qc: int, h: float
) -> float:
    """Advance by at most `h` seconds with the phases connected as given.

    Returns
    -------
    Time advanced, s: less than `h` if a diode current or the speed has come to zero.
    """
    qa, qb, qc = qa & 7, qb & 7, qc & 7
    ia, ib, ic, link, speed = s.i[0], s.i[1], s.i[2], s.link, s.speed
    na, nb, nc = connected(qa), connected(qb), connected(qc)
    count = na + nb + nc
    share = 1.0 / 3.0 if count > 2.5 else 0.5
    inverse_l = c.inverse_inductance if count > 1.5 else 0.0
    la, lb, lc = inverse_l * na, inverse_l * nb, inverse_l * nc
    ua, ub, uc = s.rail[qa], s.rail[qb], s.rail[qc]
    oa, ob, oc = s.offset[qa], s.offset[qb], s.offset[qc]
    pa, pb, pc = s.resistance[qa], s.resistance[qb], s.resistance[qc]
    ra, rb, rc = s.winding_r + pa, s.winding_r + pb, s.winding_r + pc
    decay = (s.winding_r + (na * pa + nb * pb + nc * pc) * share) * c.inverse_inductance
    leak = s.conductance * link
    first_drain = ua * ia + ub * ib + uc * ic + leak
    half = 0.5 * h
    speed_mid = speed + half * s.acceleration
    turns = (s.angle + half * 0.5 * (speed + speed_mid)) * c.turns_per_rad
    sa = trapezoid(turns - c.crest[0], c.steepness)
    sb = trapezoid(turns - c.crest[1], c.steepness)
    sc = trapezoid(turns - c.crest[2], c.steepness)
    emf = s.flux * speed_mid

    # DC link: predict its middle, for the voltages of this step
    gain = supply_gain(c, h)
    supply = supply_current(c, s, link, first_drain, gain)
    link_mid = link + half * (supply - first_drain) * c.inverse_capacitance

    link_over = link_mean(c, s, link_mid, supply)

    # phase currents: slope at the start, mean over the step, change; the decay through the
    # resistance, which is nearly the same in all phases, right to third order
    x = h * decay
    fa = na * (ua * link_over + oa - emf * sa - ra * ia)
    fb = nb * (ub * link_over + ob - emf * sb - rb * ib)
    fc = nc * (uc * link_over + oc - emf * sc - rc * ic)
    star = (fa + fb + fc) * share
    ka, kb, kc = la * (fa - star), lb * (fb - star), lc * (fc - star)
    sag = (ua * ka + ub * kb + uc * kc) * link_bend(c, h, gain)
    lift = (na * ua + nb * ub + nc * uc) * share
    ka -= la * (ua - lift) * sag
    kb -= lb * (ub - lift) * sag
    kc -= lc * (uc - lift) * sag
    link_over -= sag
    to_mean = h * (0.5 - x * (1.0 / 6.0 - x * (1.0 / 24.0)))
    to_end = h * (1.0 - x * (0.5 - x * (1.0 / 6.0)))
    ma, mb, mc = ia + to_mean * ka, ib + to_mean * kb, ic + to_mean * kc
    da, db, dc = to_end * ka, to_end * kb, to_end * kc
    ja, jb, jc = na * (ia + da), nb * (ib + db), nc * (ic + dc)
    rate = acceleration(c, s, s.flux * (sa * ma + sb * mb + sc * mc), speed_mid)
    speed_end = speed + h * rate

    # zeros on the way: end the step at the first one
    turned = speed * speed_end < 0.0
    drain = ua * ma + ub * mb + uc * mc + leak
    supply = supply_current(c, s, link, drain, gain)
    link_end = link + h * (supply - drain) * c.inverse_capacitance
    meets = supply_turns(s, link, link_end)
    za, zb, zc, at_rest = False, False, False, False
    if turned or meets or wrong_way(qa, ja) or wrong_way(qb, jb) or wrong_way(qc, jc):
        cut_a = zero_after(qa, ia, ka, da, h)
        cut_b = zero_after(qb, ib, kb, db, h)
        cut_c = zero_after(qc, ic, kc, dc, h)
        cut_speed = h * speed / (speed - speed_end) if turned else h
        cut_supply = supply_turn(c, s, link, drain, h) if meets else h
        cut = min(cut_a, cut_b, cut_c, cut_speed, cut_supply)
        za, zb, zc = cut_a == cut < h, cut_b == cut < h, cut_c == cut < h
        at_rest = turned and cut_speed == cut
        if _AT_ZERO * h < cut < h:
            # the currents follow parabolas: the same ones, not as far
            bend = (to_end / h - 1.0) / h
            to_mean = cut * (0.5 + cut * bend * (1.0 / 3.0))
            to_end = cut * (1.0 + cut * bend)
            ma, mb, mc = ia + to_mean * ka, ib + to_mean * kb, ic + to_mean * kc
            da, db, dc = to_end * ka, to_end * kb, to_end * kc
            ja, jb, jc = na * (ia + da), nb * (ib + db), nc * (ic + dc)
            rate = acceleration(c, s, s.flux * (sa * ma + sb * mb + sc * mc), speed_mid)
            speed_end = speed + cut * rate
            gain = supply_gain(c, cut)
            h = cut
            drain = ua * ma + ub * mb + uc * mc + leak
            supply = supply_current(c, s, link, drain, gain)
            link_end = link + h * (supply - drain) * c.inverse_capacitance

    za, zb, zc = za or wrong_way(qa, ja), zb or wrong_way(qb, jb), zc or wrong_way(qc, jc)
    if za or zb or zc:
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
        speed_mid,
        speed_end,
        rate,
        peak,
        bus,
    )
    return h
