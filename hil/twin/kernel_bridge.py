"""Three half bridges: which gate is on when, and through what each phase conducts.

A phase terminal is connected to one of ::

    OPEN        nothing; its voltage follows back-EMF and neutral
    LOW, HIGH   a switch to DC-link negative or positive, conducting both ways
    LOW_DIODE   the lower diode: current into the motor, terminal below the negative rail
    HIGH_DIODE  the upper diode: current out of the motor, terminal above the positive rail
"""

from __future__ import annotations

import math

from hil.twin.jit import inlined

OPEN, LOW, HIGH, LOW_DIODE, HIGH_DIODE = 0, 1, 2, 3, 4

#: Gates of one leg.
BOTH_OFF, LOW_ON, HIGH_ON = 0, 1, 2

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
    if current > 0.0:
        return LOW_DIODE
    return HIGH_DIODE if current < 0.0 else OPEN


@inlined
def connected(connection: int) -> float:
    """1 for a phase connected to a rail, 0 for an open one."""
    return 0.0 if connection == OPEN else 1.0


@inlined
def rail(connection: int) -> float:
    """1 for a phase connected to DC-link positive, else 0."""
    return 1.0 if connection in (HIGH, HIGH_DIODE) else 0.0


@inlined
def offset(connection: int, drop: float) -> float:
    """Voltage between the rail and the terminal at zero current, V."""
    if connection == LOW_DIODE:
        return -drop
    return drop if connection == HIGH_DIODE else 0.0


@inlined
def neutral(  # noqa: PLR0917 - three of everything
    qa: int, qb: int, qc: int, va: float, vb: float, vc: float, ea: float, eb: float, ec: float
) -> float:
    """Voltage of the star point, from terminal voltages of connected phases and back-EMFs.

    With nothing connected the dividers pull the terminals down until the lowest one meets the
    negative rail; the diode drop is left to the caller, who passes it as the voltage of `va`.
    """
    total, count = 0.0, 0.0
    if qa != OPEN:
        total += va - ea
        count += 1.0
    if qb != OPEN:
        total += vb - eb
        count += 1.0
    if qc != OPEN:
        total += vc - ec
        count += 1.0
    return total / count if count > 0.0 else 0.0


@inlined
def idle_neutral(ea: float, eb: float, ec: float, drop: float) -> float:
    """Star point with no phase connected: terminals at their back-EMF, none below the rail."""
    return max(0.0, -drop - min(ea, eb, ec))
