"""One integration step between two switching edges.

Explicit midpoint rule for the phase currents with the back-EMF taken at the predicted middle of
the step; exact exponential (in Pade form) for the DC link behind the supply's resistance; the
speed from the mean torque, the angle from the mean speed. All are of second order. A step ends early
where a diode current or the speed passes zero.
"""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import compiled, inlined
from hil.twin.kernel_bridge import (
    HIGH,
    HIGH_DIODE,
    LOW,
    LOW_DIODE,
    OPEN,
    connected,
    neutral,
    offset,
    path,
    rail,
)
from hil.twin.kernel_motor import trapezoid

#: A diode current this close to its zero counts as zero, as a fraction of the step.
_AT_ZERO = 1e-9


@inlined
def supply_current(c: Any, s: Any, link: float, drain: float, h: float) -> float:
    """Mean current out of the supply over a step in which the link gives away `drain`, A."""
    if s.supply_on == 0:
        return 0.0
    x = h / (c.supply_resistance * c.capacitance)
    growth = x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x * (1.0 / 24.0))))
    settled = s.source - c.supply_resistance * drain
    rise = (settled - link) * growth / (1.0 + growth)
    mean = c.capacitance * rise / h + drain
    lowest = -s.supply_limit if c.two_way != 0 else 0.0
    return min(s.supply_limit, max(lowest, mean))


@inlined
def connect(
    c: Any, s: Any, ga: int, gb: int, gc: int, ea: float, eb: float, ec: float
) -> tuple[int, int, int]:
    """Decide through what each phase conducts, given its gates, current and back-EMF.

    A phase without current whose terminal would leave the rails gets the diode it meets; the
    worst offender first, because that moves the star point for the others.
    """
    closed = s.closed
    qa = path(ga, s.ia) if closed & 8 else OPEN
    qb = path(gb, s.ib) if closed & 16 else OPEN
    qc = path(gc, s.ic) if closed & 32 else OPEN
    top, bottom = s.link + c.diode_drop, -c.diode_drop
    while (qa == OPEN and closed & 8) or (qb == OPEN and closed & 16) or (qc == OPEN and closed & 32):
        if qa == OPEN and qb == OPEN and qc == OPEN:
            # rectification starts with two diodes at once
            high = max(
                ea if closed & 8 else -math.inf,
                eb if closed & 16 else -math.inf,
                ec if closed & 32 else -math.inf,
            )
            low = min(
                ea if closed & 8 else math.inf,
                eb if closed & 16 else math.inf,
                ec if closed & 32 else math.inf,
            )
            if not high - low > top - bottom:
                break
            qa = HIGH_DIODE if ea == high else LOW_DIODE if ea == low else OPEN
            qb = HIGH_DIODE if eb == high else LOW_DIODE if eb == low else OPEN
            qc = HIGH_DIODE if ec == high else LOW_DIODE if ec == low else OPEN
            continue
        star = neutral(
            qa,
            qb,
            qc,
            rail(qa) * s.link + offset(qa, c.diode_drop),
            rail(qb) * s.link + offset(qb, c.diode_drop),
            rail(qc) * s.link + offset(qc, c.diode_drop),
            ea,
            eb,
            ec,
        )
        worst, which = 0.0, 0
        if qa == OPEN and closed & 8:
            out = max(star + ea - top, bottom - star - ea)
            if out > worst:
                worst, which = out, 1
        if qb == OPEN and closed & 16:
            out = max(star + eb - top, bottom - star - eb)
            if out > worst:
                worst, which = out, 2
        if qc == OPEN and closed & 32:
            out = max(star + ec - top, bottom - star - ec)
            if out > worst:
                worst, which = out, 3
        if which == 1:
            qa = HIGH_DIODE if star + ea > top else LOW_DIODE
        elif which == 2:
            qb = HIGH_DIODE if star + eb > top else LOW_DIODE
        elif which == 3:
            qc = HIGH_DIODE if star + ec > top else LOW_DIODE
        else:
            break
    return qa, qb, qc


@inlined
def zero_crossing(i0: float, slope: float, slope_mid: float, h: float) -> float:
    """Instant in (0, h) at which ``i0 + slope t + (slope_mid - slope) t^2 / h`` is zero, s."""
    bend = (slope_mid - slope) / h
    end = i0 + h * slope_mid
    t = h * i0 / (i0 - end)
    t -= (i0 + t * (slope + t * bend)) / (slope + 2.0 * bend * t)
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
def path_resistance(c: Any, s: Any, connection: int) -> float:
    """Resistance between rail and terminal, ohm."""
    return s.on_r if connection in (LOW, HIGH) else c.diode_resistance


@inlined
def speed_after(c: Any, s: Any, torque: float, speed_mid: float, h: float) -> float:
    """Speed in rad/s at the end of a step of `h` s with this mean motor torque.

    At rest the shaft holds while motor, cogging and pull together stay below the breakaway torque.
    """
    push = torque + s.driving
    if s.speed == 0.0:
        if abs(push) <= s.holding:
            return 0.0
        push -= math.copysign(s.opposing, push)
    else:
        push -= c.viscous * speed_mid + math.copysign(s.opposing, s.speed)
    return float(s.speed + h * c.inverse_inertia * push)


@compiled
def step(  # noqa: PLR0914, PLR0915 - three phases, kept in registers
    c: Any, s: Any, ga: int, gb: int, gc: int, h: float, event: int
) -> float:
    """Advance by `h` seconds with these gates, unless something passes zero on the way.

    Parameters
    ----------
    event : what is zero at the end of this step: 0 nothing in particular, 1 to 3 the current of
        phase a, b, c, 4 the speed.

    Returns
    -------
    Time advanced, s. With `event` 0 it may be negative: then `s` has not moved, ``s.event`` tells
    what passes zero, and the step is to be repeated with that event and the time of opposite sign.
    """
    ia, ib, ic, link, speed = s.ia, s.ib, s.ic, s.link, s.speed
    half = 0.5 * h
    speed_mid = speed + half * s.acceleration
    turns = (s.angle + half * 0.5 * (speed + speed_mid)) * c.turns_per_rad
    sa = trapezoid(turns - c.shift_a, c.steepness)
    sb = trapezoid(turns - c.shift_b, c.steepness)
    sc = trapezoid(turns - c.shift_c, c.steepness)
    emf = s.flux * speed_mid
    ea, eb, ec = emf * sa, emf * sb, emf * sc
    qa, qb, qc = connect(c, s, ga, gb, gc, ea, eb, ec)
    na, nb, nc = connected(qa), connected(qb), connected(qc)
    count = na + nb + nc
    share = 1.0 / count if count > 1.0 else 0.0
    if count < 2.0:
        na, nb, nc = 0.0, 0.0, 0.0
    ua, ub, uc = rail(qa), rail(qb), rail(qc)
    oa, ob, oc = offset(qa, c.diode_drop), offset(qb, c.diode_drop), offset(qc, c.diode_drop)
    pa, pb, pc = path_resistance(c, s, qa), path_resistance(c, s, qb), path_resistance(c, s, qc)
    ra, rb, rc = s.winding_r + pa, s.winding_r + pb, s.winding_r + pc

    # DC link: predict its middle, for the voltages of this step
    leak = s.conductance * link
    drain = ua * ia + ub * ib + uc * ic + leak
    supply = supply_current(c, s, link, drain, h)
    link_mid = link + half * (supply - drain) * c.inverse_capacitance

    # phase currents
    wa = na * (ua * link_mid + oa - ea)
    wb = nb * (ub * link_mid + ob - eb)
    wc = nc * (uc * link_mid + oc - ec)
    fa, fb, fc = wa - ra * ia, wb - rb * ib, wc - rc * ic
    star = (fa + fb + fc) * share
    ka = na * (fa - star) * c.inverse_inductance
    kb = nb * (fb - star) * c.inverse_inductance
    kc = nc * (fc - star) * c.inverse_inductance
    ma, mb, mc = ia + half * ka, ib + half * kb, ic + half * kc
    fa, fb, fc = wa - ra * ma, wb - rb * mb, wc - rc * mc
    star = (fa + fb + fc) * share
    la = na * (fa - star) * c.inverse_inductance
    lb = nb * (fb - star) * c.inverse_inductance
    lc = nc * (fc - star) * c.inverse_inductance
    ja, jb, jc = ia + h * la, ib + h * lb, ic + h * lc

    # speed
    speed_end = speed_after(c, s, s.flux * (sa * ma + sb * mb + sc * mc), speed_mid, h)

    # zeros on the way
    za, zb, zc = wrong_way(qa, ja), wrong_way(qb, jb), wrong_way(qc, jc)
    if event == 0:
        cut = h
        if za or zb or zc:
            if za and ia != 0.0:
                cut, event = zero_crossing(ia, ka, la, h), 1
            if zb and ib != 0.0:
                t = zero_crossing(ib, kb, lb, h)
                if t < cut:
                    cut, event = t, 2
            if zc and ic != 0.0:
                t = zero_crossing(ic, kc, lc, h)
                if t < cut:
                    cut, event = t, 3
        if speed * speed_end < 0.0:
            t = h * speed / (speed - speed_end)
            if t < cut:
                cut, event = t, 4
        if event != 0 and cut < h * (1.0 - _AT_ZERO):
            if cut > h * _AT_ZERO:
                s.event = event
                return -cut
            if event == 4:
                speed_end = 0.0
    if event == 4:
        speed_end = 0.0
    if za or zb or zc or 1 <= event <= 3:
        za, zb, zc = za or event == 1, zb or event == 2, zc or event == 3
        ja, jb, jc = without(ja, jb, jc, za, zb, zc)

    # DC link, with the current in the middle of the step
    drain = ua * ma + ub * mb + uc * mc + leak
    supply = supply_current(c, s, link, drain, h)
    link_end = link + h * (supply - drain) * c.inverse_capacitance

    # energies
    mean = 0.5 * (link + link_end)
    s.charge += h * supply
    s.e_supply += h * supply * (mean + c.supply_resistance * supply)
    s.e_lead += h * c.supply_resistance * supply * supply
    s.e_bleeder += h * leak * mean
    s.square += h * (ma * ma + mb * mb + mc * mc)
    s.e_switch += h * (ma * (pa * ma - oa) + mb * (pb * mb - ob) + mc * (pc * mc - oc))
    way = half * (speed + speed_end)
    s.way += way
    s.travel += abs(way)
    s.square_speed += h * speed_mid * speed_mid

    s.ia, s.ib, s.ic, s.link, s.speed = ja, jb, jc, link_end, speed_end
    s.angle += way
    s.acceleration = (speed_end - speed) / h if speed_end != 0.0 else 0.0
    s.supply_current = supply
    s.qa, s.qb, s.qc = qa, qb, qc
    s.link_peak = max(s.link_peak, link_end)
    s.current_peak = max(s.current_peak, abs(ja), abs(jb), abs(jc))
    s.bus_peak = max(s.bus_peak, ua * ja + ub * jb + uc * jc)
    s.steps += 1
    return h
