"""The DC link behind the leads of the supply, over one integration step."""

from __future__ import annotations

import math
from typing import Any

from hil.twin.jit import inlined

#: In steps longer than this, in time constants of the supply leads, the link bends.
SHORT = 0.3
#: A link so near the source, times how far it goes beyond, is not worth a step of its own, V^2.
_MEETING = 1e-6


@inlined
def leads(c: Any, h: float) -> tuple[float, float]:
    """How the supply leads feed the DC link over a step of `h` s: gain and bend.

    The link settles through the leads as ``exp(-x)``, ``x = h / RC``, here its Pade approximant
    [2/4]: at most 1.2 % off, that where the step is twelve time constants, and 2e-4 where it is
    two. It is positive however long the step is, so that the link never swings beyond its source,
    where a one-way supply would leave it.

    Returns
    -------
    gain : mean conductance of the leads, siemens: ``(1 - exp(-x)) / x R``.
    bend : by how many V the link lies lower in the mean for each A/s by which the drain rises,
        ohm s: ``R h (1/2 - 1/x + (1 - exp(-x)) / x^2)``.
    """
    x = h * c.lead_rate
    inverse = 1.0 / (360.0 + x * (240.0 + x * (72.0 + x * (12.0 + x))))
    gain = (360.0 + x * (60.0 + x * (12.0 + x))) * inverse * c.lead_conductance
    bent = x * (60.0 + x * (25.0 + x * (5.0 + x * 0.5)))
    bend = bent * inverse * (h * c.supply_resistance)
    return gain, bend


@inlined
def supply_current(c: Any, s: Any, link: float, drain: float, gain: float) -> float:
    """Mean current out of the supply over a step in which the link gives away `drain`, A."""
    mean = (s.source - c.supply_resistance * drain - link) * gain + drain
    return float(min(s.supply_most, max(s.supply_least, mean)))


@inlined
def within_limits(s: Any, supply: float) -> bool:
    """Whether the supply gives what its leads let through; else it is off, blocked or limits."""
    return bool(s.supply_least < supply < s.supply_most)


@inlined
def link_course(
    c: Any, s: Any, h: float, middle: float, supply: float, bend: float
) -> tuple[float, float]:
    """Mean of the link voltage over a step, V, while the drain is steady, and its bend; `leads`.

    While the supply is within its limits, what its leads drop at their mean current; else the link
    goes straight, through `middle`, and only the capacitor bends it.
    """
    if within_limits(s, supply):
        return s.source - c.supply_resistance * supply, bend
    return middle, h * h * c.inverse_capacitance * (1.0 / 6.0)


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
