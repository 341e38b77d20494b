"""From a planned item to the manoeuvre that carries it out."""

from __future__ import annotations

from hil.core.conditions import Conditions
from hil.core.drive import Direction, Sensing
from hil.core.errors import HarnessError
from hil.plan.kinds import (
    ReversalParameters,
    SpeedStepParameters,
    StallParameters,
    StartParameters,
    StepsParameters,
)
from hil.plan.offers import absent_channels
from hil.plan.plan import PlannedItem
from hil.plan.protective import DeratingParameters, ProtectionParameters
from hil.plan.rig import Rig
from hil.plan.steps import Reverse
from hil.scenarios import manoeuvres
from hil.scenarios.manoeuvres import Approach
from hil.scenarios.protection import protection
from hil.scenarios.scripted import run_steps
from hil.scenarios.steps import Steps, fault_from_words


def conditions_for(
    rig: Rig,
    *,
    direction: Direction,
    sensing: Sensing,
    supply_voltage: float,
    target: float,
    entry: float = 0.0,
    load: float = 0.0,
    tolerance: float = 5.0,
    trip_expected: bool = False,
    faults: int = 0,
    saturated: bool = False,
) -> Conditions:
    """What measures need to know, the rig's nameplate included."""
    return Conditions(
        direction=direction,
        sensing=sensing,
        supply_voltage=supply_voltage,
        pole_pairs=rig.motor.pole_pairs,
        target=target,
        entry=entry,
        load=load,
        tolerance=tolerance,
        trip_expected=trip_expected,
        faults=faults,
        saturated=saturated,
        back_emf_constant=rig.motor.back_emf_constant,
        resistance=rig.motor.resistance,
        senses_direction=rig.tachometer is None or rig.tachometer.senses_direction,
        speed_gate=0.0 if rig.tachometer is None else rig.tachometer.speed_gate,
        ladder_accuracy=0.0 if rig.switch is None else rig.switch.ladder_accuracy,
        absent=absent_channels(rig),
    )


def conditions_of(item: PlannedItem, rig: Rig) -> Conditions:
    """The conditions of a planned item."""
    p = item.parameters
    return conditions_for(
        rig,
        direction=item.direction,
        sensing=item.sensing,
        supply_voltage=item.supply_voltage,
        target=p.target,
        entry=p.entry,
        load=item.load,
        tolerance=p.tolerance,
        trip_expected=isinstance(p, StallParameters | ProtectionParameters) and p.expect == "trip",
        faults=int(fault_from_words(p.fault)) if isinstance(p, ProtectionParameters) else 0,
        saturated=isinstance(p, SpeedStepParameters) and p.saturate is not None,
    )


def check_safe(item: PlannedItem, rig: Rig) -> None:
    """Refuse what could exceed the rig's limits, before anything is energised.

    Raises
    ------
    BenchError
        For a reversal whose lossless DC-link bound lies above the abort limit.
    """
    p, voltage = item.parameters, item.supply_voltage
    if isinstance(p, ReversalParameters):
        entry = p.entry
    elif isinstance(p, StepsParameters) and any(isinstance(s, Reverse) for s in p.steps):
        entry = max((speed for _, speed in p.speeds()), default=0.0)
        voltage = max([voltage, *(raised for _, raised in p.voltages())])
    else:
        return
    refuse_unsafe_reversal(rig, entry=entry, voltage=voltage)


def refuse_unsafe_reversal(rig: Rig, *, entry: float, voltage: float) -> None:
    """As `check_safe`, for a reversal from `entry` rpm at `voltage` V on `rig`."""
    if rig.regeneration.absorbed_by == "dc-link-capacitor":
        manoeuvres.refuse_unsafe_reversal(
            entry=entry,
            voltage=voltage,
            inertia=rig.motor.inertia,
            capacitance=rig.regeneration.dc_link_capacitance,
            limit=rig.limits.dc_link_voltage,
        )


def act(item: PlannedItem, steps: Steps) -> None:
    """Supply on, board ready, then the manoeuvre of `item`.

    Raises
    ------
    HilError
        Whatever ended it early.
    """
    p = item.parameters
    steps.supply(item.supply_voltage)
    steps.ready(item.sensing.value)
    if item.load > 0.0:
        steps.brake(item.load, mark="load-on")
    approach = Approach(int(item.direction), p.tolerance, p.within)
    match p:
        case StartParameters():
            manoeuvres.start(steps, approach, speed=p.speed, hold=p.hold)
        case ReversalParameters():
            manoeuvres.reversal(steps, approach, entry=p.entry_speed, speed=p.speed, hold=p.hold)
        case StallParameters(expect="trip"):
            manoeuvres.stall(
                steps,
                approach,
                speed=p.speed,
                torque=p.brake_torque,
                hold=p.hold,
                watch=p.watch,
                from_standstill=p.from_standstill,
            )
        case StallParameters():
            manoeuvres.load_without_trip(
                steps, approach, speed=p.speed, torque=p.brake_torque, hold=p.hold, watch=p.watch
            )
        case SpeedStepParameters():
            manoeuvres.speed_step(
                steps,
                approach,
                entry=p.from_speed,
                speed=p.to_speed,
                hold=p.hold,
                torque=p.saturate.brake_torque if p.saturate else 0.0,
                saturated_for=p.saturate.hold if p.saturate else 0.0,
            )
        case ProtectionParameters():
            protection(steps, approach, p, voltage=item.supply_voltage)
        case DeratingParameters():
            manoeuvres.derating(
                steps,
                approach,
                speed=p.speed,
                torque=p.brake_torque,
                rungs=[line for _, line in p.lines()],
                soak=p.soak,
                hold=p.hold,
            )
        case StepsParameters():
            run_steps(steps, p.steps, approach, voltage=item.supply_voltage)
        case _:
            raise HarnessError(
                f"{item.id}: no manoeuvre for {type(p).__name__}: hil/scenarios/act.py needs a case"
            )
