"""Speed regulation and current limit; both deal in the mean voltage across the driven phases.

The speed loop, once per slow step::

    proposed = back-EMF at the ramped set point + proportional * error + integral
    error = expected speed - speed

where the expected speed follows the ramped set point as slowly as rotor and measurement do, so that
a ramp alone makes no error.

The current limit acts every period: while the current is over the limit, the ceiling comes
down from `proposed`; while it is under, the ceiling rises back to it; beyond the limit a
proportional term acts at once. The floor does the same for the current fed back while decelerating.
Voltage rather than current is regulated since the back-EMF then damps the rotor without any delay.

Two things keep the integrator from winding up: the share `tracking` of what the limit cuts off is
taken out of it, and the ramped set point never runs far ahead of a rotor that cannot follow.
"""

from __future__ import annotations

from typing import Any

from hil.twin.jit import inlined

_CUT = 0.05  # V between proposed and applied that counts as limited


@inlined
def start_regulating(s: Any, speed: float) -> None:
    """Begin at `speed`, rpm in the commanded direction, without a jump in voltage."""
    s.ramped = max(speed, 0.0)
    s.expected = s.ramped
    s.integral = s.resistance * s.first_current[s.sensing]
    s.proposed = s.emf_per_rpm * s.ramped + s.integral
    release_limits(s)


@inlined
def release_limits(s: Any) -> None:
    """Let ceiling and floor begin at what is proposed."""
    s.ceiling = s.proposed
    s.floor = s.proposed


@inlined
def regulate_speed(s: Any, goal: float, proportional: float) -> None:
    """One slow step towards `goal`, rpm in the commanded direction; `proportional` in V/rpm."""
    speed = s.speed * s.direction
    cut = s.proposed - s.applied
    if goal > s.ramped:
        s.ramped = min(s.ramped + s.slope, goal)
        if cut > _CUT:
            s.ramped = min(s.ramped, max(speed, 0.0) + s.ahead)
    else:
        s.ramped = max(s.ramped - s.slope, goal)
        if cut < -_CUT:
            s.ramped = max(s.ramped, speed - s.ahead)
    s.expected += s.response * (s.ramped - s.expected)
    error = s.expected - speed
    s.integral += s.integral_step * error - s.tracking * cut
    s.proposed = s.emf_per_rpm * s.ramped + proportional * error + s.integral


@inlined
def limit_voltage(s: Any) -> None:
    """Bound the proposed voltage by current limit and supply; every period."""
    current = s.current * s.current_scale
    over = current - s.limit
    under = -(s.brake_limit if s.bus < s.regen_voltage else 0.0) - current
    s.ceiling = min(s.ceiling - s.limit_integral * over, s.proposed)
    s.floor = max(s.floor + s.limit_integral * under, s.proposed)
    voltage = s.ceiling + s.floor - s.proposed
    if over > 0.0:
        voltage -= s.limit_proportional * over
    if under > 0.0:
        voltage += s.limit_proportional * under
    s.applied = min(max(voltage, s.duty_min * s.bus), s.duty_max * s.bus)
