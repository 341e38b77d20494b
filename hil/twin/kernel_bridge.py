"""Three half bridges: which gate is on when, and through what each phase conducts.

A phase terminal is connected to one of ::

    OPEN        nothing; its voltage follows back-EMF and neutral
    LOW, HIGH   a switch to DC-link negative or positive, conducting both ways
    LOW_DIODE   the lower diode: current into the motor, terminal below the negative rail
    HIGH_DIODE  the upper diode: current out of the motor, terminal above the positive rail
"""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import compiled, inlined

OPEN, LOW, HIGH, LOW_DIODE, HIGH_DIODE = 0, 1, 2, 3, 4

#: Gates of one leg.
BOTH_OFF, LOW_ON, HIGH_ON = 0, 1, 2

#: Currents up to this size are what rounding leaves behind, A.
NO_CURRENT = 1e-12

_NEVER = math.inf


@inlined
def edges(
    drive: int, duty: float, period: float, dead: float
) -> tuple[float, float, float, float, int]:
    """Switching instants of one leg within a centre-aligned period, s from its start.

    Returns
    -------
    low gate off, high gate on, high gate off, low gate on, and the gates before the first and
    after the last of them. Edges that do not occur lie at infinity, or at -1 if before the start.
    """
    if drive == 0:
        return _NEVER, _NEVER, _NEVER, _NEVER, BOTH_OFF
    rest = LOW_ON if drive == 1 else BOTH_OFF
    if duty <= 0.0:
        return _NEVER, _NEVER, _NEVER, _NEVER, rest
    if duty >= 1.0:
        return -1.0, -1.0, _NEVER, _NEVER, rest
    rise = 0.5 * period * (1.0 - duty)
    fall = period - rise
    if drive != 1 or dead == 0.0:
        return rise, rise, fall, fall, rest
    return rise, min(rise + dead, fall), fall, min(fall + dead, period), rest


@inlined
def gate(
    time: float, low_off: float, high_on: float, high_off: float, low_on: float, rest: int
) -> tuple[int, float]:
    """Gates of a leg from `time` on, and the instant of its next edge."""
    if time < low_off:
        return rest, low_off
    if time < high_on:
        return BOTH_OFF, high_on
    if time < high_off:
        return HIGH_ON, high_off
    if time < low_on:
        return BOTH_OFF, low_on
    return rest, _NEVER


@inlined
def path(gate: int, current: float) -> int:
    """Connection of a leg with these gates that already carries `current`."""
    if gate != BOTH_OFF:
        return gate
    if current > NO_CURRENT:
        return LOW_DIODE
    return HIGH_DIODE if current < -NO_CURRENT else OPEN


@inlined
def connected(connection: int) -> float:
    """1 for a phase connected to a rail, 0 for an open one."""
    return 0.0 if connection == OPEN else 1.0


@compiled
def tabulate(c: Any, s: Any) -> None:
    """Write what each connection means, at the present temperature, into `s`.

    ``rail``: 1 where the phase is tied to DC-link positive, else 0. ``offset``: V between rail and
    terminal without current. ``resistance``: ohm between them.
    """
    for connection in (HIGH, HIGH_DIODE):
        s.rail[connection] = 1.0
    for connection in (LOW, HIGH):
        s.resistance[connection] = s.on_r
    for connection in (LOW_DIODE, HIGH_DIODE):
        s.resistance[connection] = c.diode_resistance
    s.offset[LOW_DIODE] = -c.diode_drop
    s.offset[HIGH_DIODE] = c.diode_drop


@inlined
def neutral(
    qa: int, qb: int, qc: int, va: float, vb: float, vc: float, ea: float, eb: float, ec: float
) -> float:
    """Voltage of the star point, from terminal voltages of connected phases and back-EMFs.

    0 with nothing connected; see `idle_neutral`.
    """
    na, nb, nc = connected(qa), connected(qb), connected(qc)
    count = na + nb + nc
    share = 1.0 / 3.0 if count > 2.5 else 0.5 if count > 1.5 else 1.0
    return (na * (va - ea) + nb * (vb - eb) + nc * (vc - ec)) * share


@inlined
def idle_neutral(ea: float, eb: float, ec: float, drop: float) -> float:
    """Star point with no phase connected: terminals at their back-EMF, none below the rail."""
    return max(0.0, -drop - min(ea, eb, ec))


@compiled
def connect(
    c: Any, s: Any, ga: int, gb: int, gc: int, ea: float, eb: float, ec: float
) -> tuple[int, int, int]:
    """Decide through what each phase conducts, given its gates, current and back-EMF.

    A phase without current whose terminal would leave the rails gets the diode it meets; the
    worst offender first, because that moves the star point for the others. A phase whose lead is
    broken stays open.
    """
    closed = s.closed
    free_a, free_b, free_c = closed & 8 != 0, closed & 16 != 0, closed & 32 != 0
    qa = path(ga, s.i[0]) if free_a else OPEN
    qb = path(gb, s.i[1]) if free_b else OPEN
    qc = path(gc, s.i[2]) if free_c else OPEN
    top, bottom = s.link + c.diode_drop, -c.diode_drop
    if qa == OPEN and qb == OPEN and qc == OPEN:
        # rectification starts with two diodes at once
        high = max(
            ea if free_a else -math.inf, eb if free_b else -math.inf, ec if free_c else -math.inf
        )
        low = min(
            ea if free_a else math.inf, eb if free_b else math.inf, ec if free_c else math.inf
        )
        if not high - low > top - bottom:
            return qa, qb, qc
        qa = HIGH_DIODE if free_a and ea == high else qa
        qb = HIGH_DIODE if free_b and eb == high else qb
        qc = HIGH_DIODE if free_c and ec == high else qc
        qa = LOW_DIODE if free_a and ea == low else qa
        qb = LOW_DIODE if free_b and eb == low else qb
        qc = LOW_DIODE if free_c and ec == low else qc
    for _ in range(2):
        va = s.rail[qa] * s.link + s.offset[qa]
        vb = s.rail[qb] * s.link + s.offset[qb]
        vc = s.rail[qc] * s.link + s.offset[qc]
        star = neutral(qa, qb, qc, va, vb, vc, ea, eb, ec)
        out_a = max(star + ea - top, bottom - star - ea) if qa == OPEN and free_a else 0.0
        out_b = max(star + eb - top, bottom - star - eb) if qb == OPEN and free_b else 0.0
        out_c = max(star + ec - top, bottom - star - ec) if qc == OPEN and free_c else 0.0
        worst = max(out_a, out_b, out_c)
        if worst <= 0.0:
            break
        if out_a == worst:
            qa = HIGH_DIODE if star + ea > top else LOW_DIODE
        elif out_b == worst:
            qb = HIGH_DIODE if star + eb > top else LOW_DIODE
        else:
            qc = HIGH_DIODE if star + ec > top else LOW_DIODE
    return qa, qb, qc
