"""Under which conditions a scenario was run; measures and reports need to know."""

from __future__ import annotations

from dataclasses import dataclass

from hil.core.drive import Direction, Sensing


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What was asked of the drive during one manoeuvre.

    Speeds are mechanical rpm, positive in the direction of rotation at the start (`direction`
    says which that is); voltage in V, torque in N m, tolerance in % of the target speed.

    Parameters
    ----------
    target : speed to be reached; for a reversal the speed afterwards, positive too.
    entry : speed before the manoeuvre (0 for a start).
    saturated : the manoeuvre drives the controller into its limit on purpose.
    back_emf_constant : nameplate, V*s/rad, peak of the flat top, line to line; 0 when unknown.
    resistance : nameplate winding resistance, ohm, line to line; 0 when unknown.
    senses_direction : the tachometer tells which way the shaft turns; else it shows magnitudes.
    speed_gate : s over which the tachometer counts one speed; 0 where it does not count or nobody
        knows.
    trip_expected : a stall must trip; its partner must not.
    faults : bits of `Fault` that a protection is to raise, or its partner must not; 0 for others.
    tolerance : half-width of the band that counts as 'at speed', % of target.
    ladder_accuracy : within what a rung of the ladder stands for its temperature, K.
    absent : channels that nothing on the rig gives, each with the reason in words.
    """

    direction: Direction
    sensing: Sensing
    supply_voltage: float
    pole_pairs: int
    target: float
    entry: float = 0.0
    load: float = 0.0
    tolerance: float = 5.0
    trip_expected: bool = False
    faults: int = 0
    saturated: bool = False
    back_emf_constant: float = 0.0
    resistance: float = 0.0
    senses_direction: bool = True
    speed_gate: float = 0.0
    ladder_accuracy: float = 0.0
    absent: tuple[tuple[str, str], ...] = ()
